// Keeps the page live and its entries safe. Everything works without it too, by plain forms and a page that fetches itself anew.
(() => {
	"use strict";
	const body = document.body, words = body.dataset;
	const silence = 9000; // ms without a word from the shed after which the link is lost: two beats and a little
	const link = document.getElementById("link"), queueBox = document.getElementById("queue");
	const main = () => document.getElementById("main");
	const fill = (text, value) => text.replace(/%[sd]/, value);

	// What has gone by on the phone's steady clock, which stands still on some while they sleep: a leap of the other clock ahead of it counts as sleep.
	// So what is here may look too old until the shed says what time it is, and never too young.
	let slept = 0, ahead = Date.now() - performance.now();
	const passed = () => {
		const now = Date.now() - performance.now();
		if (now - ahead > 3000) slept += now - ahead;
		ahead = now;
		return performance.now() + slept;
	};

	// The shed's clock, carried on by that one: ages never depend on what time the phone believes it is.
	let base = 0, baseAt = 0, speed = 1;
	const setClock = (at) => { if (at > 0) { base = at; baseAt = passed(); } };
	const shedNow = () => base + (passed() - baseAt) / 1000 * speed;
	const readClock = () => {
		const m = main();
		speed = Number(m.dataset.speed) || 1;
		setClock(Number(m.dataset.at));
	};

	const pad = (n) => (n < 10 ? "0" : "") + n;
	const length = (s) => {
		s = Math.max(0, Math.round(s));
		if (s < 90) return s + " s";
		if (s < 3600) return Math.floor(s / 60) + " min";
		if (s < 172800) return Math.floor(s / 3600) + " h " + pad(Math.floor(s % 3600 / 60)) + " min";
		return Math.floor(s / 86400) + " d " + Math.floor(s % 86400 / 3600) + " h";
	};
	const setText = (el, text) => { if (el.textContent !== text) el.textContent = text; };
	const tick = () => {
		if (!base) return;
		const now = shedNow(), stale = Number(main().dataset.stale) || 0;
		for (const el of document.querySelectorAll("[data-age-of]")) {
			const age = now - Number(el.dataset.ageOf);
			setText(el, fill(words.age, length(age)));
			if (stale && age > stale) el.parentElement.classList.add("old");
		}
		for (const el of document.querySelectorAll("[data-until]")) {
			const left = Number(el.dataset.until) - now;
			setText(el, left < 60 ? words.any : left < 3600 ? Math.floor(left / 60) + " min" :
				left >= 36000 && left < 172800 ? Math.floor(left / 3600) + " h" : length(left));
		}
		if (stale && now - Number(main().dataset.at) > stale) main().classList.add("stale");
	};

	// Every request has an end, and ends at once when the link is found to be another: what went out by a dead one is never answered.
	const asked = new Set();
	const ask = async (url, ms, options) => {
		const c = new AbortController(), late = setTimeout(() => c.abort(), ms);
		asked.add(c);
		try {
			const got = await fetch(url, { ...options, signal: c.signal });
			return { status: got.status, ok: got.ok, text: await got.text() };
		} finally {
			clearTimeout(late);
			asked.delete(c);
		}
	};

	// The changing part of the page is fetched anew. Not while a finger is down or a field is being filled: nothing moves under a glove.
	let finger = 0, wanted = false, fetching = false;
	const busy = () => (finger && performance.now() - finger < 3000) || (document.activeElement && /^(INPUT|SELECT|TEXTAREA)$/.test(document.activeElement.tagName) &&
		document.activeElement.type !== "checkbox" && main().contains(document.activeElement)) ||
		[...main().querySelectorAll("form[data-dirty]")].some((f) => !f.closest("details:not([open])")); // what she has typed stays until it is sent
	// The new part takes the place of the old one; what was open, ticked and in focus stays so.
	const show = (text) => {
		const open = new Map([...main().querySelectorAll("details")].map((d) => [d.id, d.open]));
		const ticked = [...main().querySelectorAll("input:checked")].map((i) => i.form && i.form.getAttribute("action"));
		const focus = document.activeElement && main().contains(document.activeElement) ? document.activeElement : null;
		const same = (el) => [el.tagName, el.name, el.value, el.form && el.form.getAttribute("action"), el.getAttribute("href"), (el.closest("[id]") || el).id].join("|");
		const focused = focus && same(focus);
		const box = document.createElement("template");
		box.innerHTML = text;
		main().replaceWith(box.content);
		for (const d of main().querySelectorAll("details")) if (open.has(d.id)) d.open = open.get(d.id);
		for (const i of main().querySelectorAll("input[type=checkbox]")) i.checked = ticked.includes(i.form.getAttribute("action"));
		if (focused) for (const el of main().querySelectorAll("a,button,summary,input"))
			if (same(el) === focused) { el.focus({ preventScroll: true }); break; }
		readClock();
		tick();
	};
	const refresh = async () => {
		if (words.live !== "true" && !main().dataset.fetch) return; // data-fetch: what takes long to work out comes after the page
		wanted = true;
		if (fetching || busy()) return;
		fetching = true;
		wanted = false; // whatever is asked for from here on is not in this answer
		try {
			const { text } = await ask(location.pathname + location.search, main().dataset.fetch ? 60000 : 8000, { headers: { "X-Part": "main" }, cache: "no-store" });
			if (busy()) wanted = true;
			// What took long to work out is shown though there is something newer by now: else a slow board would never come to an end.
			if (text.startsWith("<main") && (!wanted || (main().dataset.fetch && !busy()))) show(text);
		} catch { wanted = true; } finally {
			fetching = false;
		}
		if (wanted && !lost) setTimeout(refresh, 200);
	};
	addEventListener("pointerdown", () => { finger = performance.now(); });
	for (const name of ["pointerup", "pointercancel"]) addEventListener(name, () => { setTimeout(() => { finger = 0; if (wanted) refresh(); }, 350); });
	addEventListener("focusout", () => { setTimeout(() => { if (wanted) refresh(); }, 0); });

	// The link: an event or a beat at least every few seconds, else the page says that it is not live and tries another. A stream may die without a
	// word, as when the phone sleeps; and what it held back until the page was woken is no news, but comes first on a stream of its own.
	let heard = passed(), polled = heard, tried = 0, broken = 0, lost = false, source = null;
	const hear = (e, first) => {
		const at = Number(e.data);
		if ((!first || passed() - tried > silence) && at > 0 && shedNow() - at > 5 * speed) { connect(); return false; }
		heard = passed();
		broken = 0;
		setClock(at);
		if (lost) {
			lost = false;
			link.hidden = true;
			for (const c of asked) c.abort();
			refresh();
		}
		drain();
		return true;
	};
	const connect = () => {
		if (source) source.close();
		tried = passed();
		source = new EventSource("/events");
		let first = true;
		source.addEventListener("error", () => { broken = broken || passed(); tried = passed(); first = true; });
		source.addEventListener("beat", (e) => { hear(e, first); first = false; });
		source.addEventListener("change", (e) => { if (hear(e, first)) refresh(); first = false; });
	};
	const lose = () => {
		if (lost) return;
		lost = true;
		const at = new Date((base + (heard - baseAt) / 1000 * speed) * 1000);
		const here = main().querySelector(".when");
		setText(link, fill(words.offline, here ? here.textContent : at.toISOString()));
		link.hidden = false;
	};
	const watch = () => {
		tick();
		const now = passed();
		if (now - heard > silence || (broken && now - broken > 2500)) lose();
		else if (wanted || (Number(main().dataset.poll) * 1000 || Infinity) <= now - polled) { polled = now; refresh(); }
		if (source.readyState === EventSource.CLOSED || (lost && now - tried > 8000)) connect();
	};
	setInterval(watch, 1000);
	// Awake again: how long it was is looked at before anything else is believed.
	const wake = () => {
		if (document.visibilityState !== "visible") return;
		watch();
		if (passed() - heard > silence / 2) connect();
		refresh();
		drain();
	};
	document.addEventListener("visibilitychange", wake);
	document.addEventListener("resume", wake);
	addEventListener("online", wake);
	addEventListener("pageshow", (e) => { if (e.persisted) { connect(); wake(); } });

	// Entries: what a form with data-api says. Each has a key made here, so that however often it is sent it counts once; each carries the shed's
	// time of the tap, in the field that data-at names ("at" where it names none). While the daemon is away they wait, and go out in their order.
	//   data-json   the body is a flat JSON object, its fields typed by data-type of theirs (number, boolean, list); without it a form's body
	//   data-method another method than POST      data-then  where to go once it is kept
	//   data-clock  the field of data-json that gets the phone's own time as it is sent
	//   data-photo  the file of the form is the body, the other fields are the query
	let queue = [], draining = false, failed = false;
	const files = new Map(); // of photos, by key: they wait as long as the page is open, and no longer
	const mostHeld = 12e6; // bytes of them at once: a phone ends a page that takes too much, with all that waits in it
	try { queue = JSON.parse(sessionStorage.getItem("waiting") || "[]"); } catch { queue = []; }
	const newKey = () => [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");
	const keep = () => {
		try {
			sessionStorage.setItem("waiting", JSON.stringify(queue.filter((q) => !files.has(q.id))));
			sessionStorage.setItem("photos", files.size);
		} catch { /* then they live as long as the page */ }
	};
	let fade = 0;
	const say = (text, passing) => {
		clearTimeout(fade);
		setText(queueBox, text);
		queueBox.hidden = !text;
		if (passing) fade = setTimeout(() => { queueBox.hidden = true; }, passing);
	};
	const sayWaiting = () => say((queue.length === 1 ? words.waiting : fill(words.waitingmore, queue.length)) + (files.size ? words.photolate : ""));
	const send = (q) => {
		const method = q.method || "POST";
		if (files.has(q.id)) return ask(q.api + "?" + new URLSearchParams(q.fields), 60000, { method, body: files.get(q.id) });
		if (q.clock) q.json[q.clock] = new Date().toISOString(); // a time that has waited is none
		if (q.json) return ask(q.api, 8000, { method, body: JSON.stringify(q.json), headers: { "Content-Type": "application/json", "Idempotency-Key": q.id } });
		return ask(q.api, 8000, { method, body: new URLSearchParams(q.fields) });
	};
	const formOf = (q) => [...document.forms].find((f) => f.dataset.entry === q.id);
	const done = (form) => {
		if (!form) return;
		form.reset();
		delete form.dataset.dirty;
		delete form.dataset.entry;
		for (const el of form.querySelectorAll("[aria-invalid]")) el.removeAttribute("aria-invalid");
		const fold = form.closest("details");
		for (const el of form.querySelectorAll(".wrong")) el.remove();
		if (fold && fold.contains(document.activeElement)) fold.querySelector("summary").focus({ preventScroll: true });
		if (fold && !fold.dataset.stay) fold.open = false;
	};
	const refuse = (q, problem) => {
		const why = fill(words.refused, problem.detail || problem.title || ""), form = formOf(q);
		if (!form || q.late) { // what she said is not lost with it
			const what = (q.json ? Object.entries(q.json) : q.fields).filter(([k]) => !/^(key|at|when|saw_rev|back|decimal|in\..*)$/.test(k)).map(([k, v]) => k + " " + v).join(", ");
			say(what && q.late ? why + " (" + what + ")" : why, 0);
			return;
		}
		say(why, 0);
		if (form.matches(".touch")) return;
		for (const el of form.querySelectorAll(".wrong")) el.remove();
		let first = null, n = 0;
		for (const { field, problem: what } of problem.errors || [{ field: problem.field, problem: problem.detail || problem.title }]) {
			const el = field && form.elements.namedItem(field), seen = el && el.setAttribute && el.type !== "hidden" ? el : null, box = document.createElement("p");
			box.className = "wrong";
			box.id = "wrong-" + q.id + "-" + n++;
			box.setAttribute("role", "alert");
			setText(box, seen || !field ? fill(words.refused, what) : fill(words.refused, field + " " + what));
			if (seen) {
				seen.closest("p,label").after(box);
				seen.setAttribute("aria-invalid", "true");
				seen.setAttribute("aria-describedby", box.id);
				first = first || seen;
			} else form.querySelector("button").closest("p,form>*").before(box);
		}
		if (first) first.focus();
	};
	const drain = async () => {
		if (draining || !queue.length) return;
		draining = true;
		try {
			while (queue.length) {
				const entry = queue[0];
				let got;
				try { got = await send(entry); } catch { got = null; }
				if (!got || got.status >= 500 || got.status === 429) {
					failed = true;
					for (const q of queue) { q.late = true; done(formOf(q)); }
					keep();
					sayWaiting();
					break;
				}
				let answer = {};
				try { answer = JSON.parse(got.text); } catch { /* then its status alone says how it went */ }
				if (got.status === 401) { failed = true; say(answer.detail || answer.title); break; } // it waits until this phone may
				queue.shift();
				files.delete(entry.id);
				keep();
				failed = false;
				if (got.ok) {
					const notes = (answer.notes || []).join(" ");
					say(notes ? words.sent + " " + notes : words.sent, notes ? 12000 : 4000);
					done(formOf(entry));
					if (entry.then && location.pathname + location.search !== entry.then) { location.assign(entry.then); return; }
				} else {
					const form = formOf(entry);
					if (got.status === 409 && form) { entry.late = true; done(form); } // what she saw is no more: the page shows what is, the message what she meant
					refuse(entry, answer);
				}
				for (const b of document.querySelectorAll("[aria-busy]")) b.removeAttribute("aria-busy");
				refresh();
			}
		} finally { draining = false; }
	};
	// A phone's photo is larger than any record needs: it is drawn smaller before it goes out, where the browser can.
	const smaller = async (file) => {
		try {
			const pic = await createImageBitmap(file), k = Math.min(1, 2000 / Math.max(pic.width, pic.height));
			if (k === 1 && file.size < 1500000 && /^image\/(jpeg|png)$/.test(file.type)) return file;
			const c = document.createElement("canvas");
			c.width = Math.round(pic.width * k);
			c.height = Math.round(pic.height * k);
			c.getContext("2d").drawImage(pic, 0, 0, c.width, c.height);
			return await new Promise((ok) => { c.toBlob((b) => ok(b || file), "image/jpeg", 0.85); });
		} catch { return file; }
	};
	const typed = (form, data) => {
		const out = {};
		for (const [k, v] of data) {
			const el = form.elements.namedItem(k), type = el && el.dataset && el.dataset.type;
			if (k === "key" || v === "") continue;
			out[k] = type === "number" ? Number(v.replace(",", ".").replace("\u2212", "-")) : type === "boolean" ? true :
				type === "list" ? v.split(/[,;\n]/).map((x) => x.trim()).filter(Boolean) : v;
			if (Number.isNaN(out[k])) out[k] = v; // the other side says what is wrong with it
		}
		return out;
	};
	document.addEventListener("submit", async (e) => {
		const form = e.target, button = e.submitter, d = form.dataset;
		if (!d.api) return;
		e.preventDefault();
		if (button && button.getAttribute("aria-busy")) return; // the second of two quick taps
		const data = new FormData(form, button), key = form.querySelector("input[name=key]"), at = d.at === undefined ? "at" : d.at;
		const q = { id: (key && key.value) || newKey(), api: d.api, method: d.method, then: d.then || "", clock: d.clock };
		const file = d.photo !== undefined && form.querySelector("input[type=file]").files[0];
		const fields = new URLSearchParams();
		for (const [k, v] of data) if (typeof v === "string" && v.trim() !== "" && k !== "back") fields.append(k, v);
		if (d.json !== undefined) q.json = typed(form, data);
		else if (at && !fields.get(at) && base) fields.set(at, new Date(Math.floor(shedNow()) * 1000).toISOString().replace(".000", ""));
		fields.set("key", q.id);
		q.fields = [...fields];
		if (button) { button.setAttribute("aria-busy", "true"); setTimeout(() => button.removeAttribute("aria-busy"), 1500); }
		if (file) {
			const photo = await smaller(file), held = [...files.values()].reduce((n, f) => n + f.size, 0);
			if (files.size && held + photo.size > mostHeld) {
				if (button) button.removeAttribute("aria-busy");
				say(words.photofull);
				return;
			}
			files.set(q.id, photo);
		}
		d.entry = q.id;
		queue.push(q);
		keep();
		if (key) key.value = newKey();
		drain();
	});
	document.addEventListener("input", (e) => {
		const form = e.target.form;
		if (form && form.dataset.api && !form.matches(".touch")) form.dataset.dirty = "1";
		e.target.removeAttribute("aria-invalid");
	});
	setInterval(drain, 4000);
	addEventListener("beforeunload", (e) => { if (queue.length && (failed || files.size)) { e.preventDefault(); } });

	// Charts: the values under a finger. The drawing says where its time axis lies and what its lines are worth; see chart/readout.go.
	let shownOn = null, hideLater = 0;
	const readAt = (svg, clientX) => {
		const [left, right, from, to, offset] = svg.dataset.axis.split(" ").map(Number), box = svg.getBoundingClientRect(), wide = svg.viewBox.baseVal.width;
		const x = Math.min(right, Math.max(left, (clientX - box.left) / box.width * wide)), at = (x - left) / (right - left) * (to - from);
		const d = new Date((from + at + offset) * 1000), days = (to - from) > 86400;
		const parts = [(days ? ["Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"][d.getUTCDay()] + " " + d.getUTCDate() + ", " : "") + pad(d.getUTCHours()) + ":" + pad(d.getUTCMinutes())];
		for (const line of svg.dataset.read ? svg.dataset.read.split("\n") : []) {
			const [label, unit, gap, list] = line.split("|");
			let best = null, near = Number(gap) / 2;
			for (const one of list.split(" ")) {
				const [t, v] = one.split(",").map(Number);
				if (Math.abs(t - at) <= near) { near = Math.abs(t - at); best = v; }
			}
			parts.push((label ? label + " " : "") + (best === null ? words.nothing : String(best).replace("-", "\u2212") + " " + unit));
		}
		let hair = svg.querySelector(".hair");
		if (!hair) {
			hair = document.createElementNS("http://www.w3.org/2000/svg", "line");
			hair.setAttribute("class", "hair");
			hair.setAttribute("y1", 0);
			hair.setAttribute("y2", svg.viewBox.baseVal.height);
			svg.append(hair);
		}
		hair.setAttribute("x1", x);
		hair.setAttribute("x2", x);
		let out = svg.parentElement.querySelector(".finger");
		if (!out) {
			out = document.createElement("p");
			out.className = "finger";
			svg.before(out);
		}
		setText(out, parts.join(" \u00b7 "));
		shownOn = svg;
		clearTimeout(hideLater);
		hideLater = setTimeout(unread, 6000);
	};
	const unread = () => {
		for (const el of document.querySelectorAll(".hair,.finger")) el.remove();
		shownOn = null;
	};
	for (const name of ["pointerdown", "pointermove"]) addEventListener(name, (e) => {
		const svg = e.target.closest && e.target.closest("svg[data-axis]");
		if (svg && (name === "pointerdown" || e.pointerType === "mouse" || shownOn === svg)) readAt(svg, e.clientX);
		else if (shownOn && name === "pointerdown") unread();
	});

	readClock();
	tick();
	connect();
	if (main().dataset.fetch) refresh();
	if (queue.length) { sayWaiting(); drain(); }
	try {
		const gone = Number(sessionStorage.getItem("photos"));
		if (gone) say(fill(words.photolost, gone));
		sessionStorage.removeItem("photos");
	} catch { /* nothing was held */ }
})();
