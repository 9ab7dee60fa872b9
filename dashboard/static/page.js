// Keeps the page live and its entries safe. Everything works without it too, by plain forms and a page that fetches itself anew.
(() => {
	"use strict";
	const body = document.body, words = body.dataset;
	const silence = 9000; // ms without a word from the shed after which the link is lost: two beats and a little
	const link = document.getElementById("link"), queueBox = document.getElementById("queue");
	const main = () => document.getElementById("main");
	const fill = (text, value) => text.replace(/%[sd]/, value);

	// The shed's clock, carried on by the phone's steady one: ages never depend on what time the phone believes it is.
	let base = 0, baseAt = 0, speed = 1;
	const setClock = (at) => { if (at > 0) { base = at; baseAt = performance.now(); } };
	const shedNow = () => base + (performance.now() - baseAt) / 1000 * speed;
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

	// The changing part of the page is fetched anew. Not while a finger is down or a field is being filled: nothing moves under a glove.
	let finger = 0, wanted = false, fetching = false;
	const busy = () => (finger && performance.now() - finger < 3000) || (document.activeElement && /^(INPUT|SELECT|TEXTAREA)$/.test(document.activeElement.tagName) &&
		document.activeElement.type !== "checkbox" && main().contains(document.activeElement));
	const refresh = async () => {
		if (words.live !== "true") return;
		wanted = true;
		if (fetching || busy()) return;
		fetching = true;
		wanted = false; // whatever is asked for from here on is not in this answer
		try {
			const got = await fetch(location.pathname + location.search, { headers: { "X-Part": "main" }, cache: "no-store", signal: AbortSignal.timeout(8000) });
			const text = await got.text();
			if (busy()) wanted = true;
			if (wanted || !text.startsWith("<main")) return;
			const open = new Map([...main().querySelectorAll("details")].map((d) => [d.id, d.open]));
			const ticked = [...main().querySelectorAll("input:checked")].map((i) => i.form && i.form.getAttribute("action"));
			const focus = document.activeElement && main().contains(document.activeElement) ? document.activeElement : null;
			const focused = focus && [focus.tagName, focus.value, focus.form && focus.form.getAttribute("action"), focus.getAttribute("href")].join("|");
			const box = document.createElement("template");
			box.innerHTML = text;
			main().replaceWith(box.content);
			for (const d of main().querySelectorAll("details")) if (open.has(d.id)) d.open = open.get(d.id);
			for (const i of main().querySelectorAll("input[type=checkbox]")) i.checked = ticked.includes(i.form.getAttribute("action"));
			if (focused) for (const el of main().querySelectorAll("a,button,summary,input"))
				if ([el.tagName, el.value, el.form && el.form.getAttribute("action"), el.getAttribute("href")].join("|") === focused) { el.focus({ preventScroll: true }); break; }
			readClock();
			tick();
		} catch { wanted = true; } finally {
			fetching = false;
		}
		if (wanted && !lost) setTimeout(refresh, 200);
	};
	addEventListener("pointerdown", () => { finger = performance.now(); });
	for (const name of ["pointerup", "pointercancel"]) addEventListener(name, () => { setTimeout(() => { finger = 0; if (wanted) refresh(); }, 350); });
	addEventListener("focusout", () => { setTimeout(() => { if (wanted) refresh(); }, 0); });

	// The link: an event or a beat at least every few seconds, else the page says that it is not live.
	let heard = performance.now(), broken = 0, lost = false, source = null;
	const hear = (e) => {
		heard = performance.now();
		broken = 0;
		setClock(Number(e.data));
		if (lost) { lost = false; link.hidden = true; refresh(); }
		drain();
	};
	const connect = () => {
		if (source) source.close();
		source = new EventSource("/events");
		source.addEventListener("error", () => { broken = broken || performance.now(); });
		source.addEventListener("beat", hear);
		source.addEventListener("change", (e) => { hear(e); refresh(); });
	};
	const lose = () => {
		if (lost) return;
		lost = true;
		const at = new Date((base + (heard - baseAt) / 1000 * speed) * 1000);
		const here = main().querySelector(".when");
		setText(link, fill(words.offline, here ? here.textContent : at.toISOString()));
		link.hidden = false;
	};
	setInterval(() => {
		tick();
		const now = performance.now();
		if (now - heard > silence || (broken && now - broken > 2500)) lose();
		else if (wanted) refresh();
		if (source.readyState === EventSource.CLOSED) connect();
	}, 1000);
	setInterval(() => { if (lost && source.readyState !== EventSource.OPEN) connect(); }, 8000); // a half-open link is given up
	document.addEventListener("visibilitychange", () => {
		if (document.visibilityState !== "visible") return;
		if (!source || source.readyState === EventSource.CLOSED || performance.now() - heard > silence) connect();
		refresh();
		drain();
	});
	addEventListener("pageshow", (e) => { if (e.persisted) { connect(); refresh(); } });

	// Entries. Each has a key made here, so that however often it is sent it counts once; each carries the shed's time of the tap.
	let queue = [], draining = false, failed = false;
	try { queue = JSON.parse(sessionStorage.getItem("waiting") || "[]"); } catch { queue = []; }
	const newKey = () => [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");
	const keep = () => {
		try { sessionStorage.setItem("waiting", JSON.stringify(queue)); } catch { /* then they live as long as the page */ }
	};
	let fade = 0;
	const say = (text, passing) => {
		clearTimeout(fade);
		setText(queueBox, text);
		queueBox.hidden = !text;
		if (passing) fade = setTimeout(() => { queueBox.hidden = true; }, passing);
	};
	const sayWaiting = () => say(queue.length === 1 ? words.one : fill(words.many, queue.length));
	const drain = async () => {
		if (draining || !queue.length) return;
		draining = true;
		try {
			while (queue.length) {
				const entry = queue[0];
				let got;
				try {
					got = await fetch(entry.api, { method: "POST", body: new URLSearchParams(entry.fields), signal: AbortSignal.timeout(8000) });
				} catch { got = null; }
				if (!got || got.status >= 500 || got.status === 429) { failed = true; sayWaiting(); break; }
				queue.shift();
				keep();
				failed = false;
				if (got.ok) {
					say(words.sent, 4000);
					if (entry.then && location.pathname !== entry.then) { location.assign(entry.then); return; }
				} else {
					const problem = await got.json().catch(() => ({}));
					say(fill(words.refused, (problem.detail || problem.title || got.status)), 0);
				}
				for (const b of document.querySelectorAll("[aria-busy]")) b.removeAttribute("aria-busy");
				refresh();
			}
		} finally { draining = false; }
	};
	document.addEventListener("submit", (e) => {
		const form = e.target, button = e.submitter;
		if (!form.dataset.api) return;
		e.preventDefault();
		if (button && button.getAttribute("aria-busy")) return; // the second of two quick taps
		const data = new FormData(form, button), fields = {};
		for (const [k, v] of data) if (v !== "") fields[k] = v;
		if (!fields.at && base) fields.at = new Date(Math.floor(shedNow()) * 1000).toISOString().replace(".000", "");
		queue.push({ api: form.dataset.api, then: form.dataset.then || "", fields });
		keep();
		const key = form.querySelector("input[name=key]");
		if (key) key.value = newKey();
		if (button) { button.setAttribute("aria-busy", "true"); setTimeout(() => button.removeAttribute("aria-busy"), 1500); }
		drain();
	});
	setInterval(drain, 4000);
	addEventListener("beforeunload", (e) => { if (queue.length && failed) { e.preventDefault(); } });

	readClock();
	tick();
	connect();
	if (queue.length) { sayWaiting(); drain(); }
})();
