// Keeps the page of a yard fresh, counts its ages, and makes it look old when it can't be renewed. Without it the page fetches itself anew.
(() => {
	"use strict";
	const words = document.body.dataset, link = document.getElementById("link");
	const main = () => document.getElementById("main");
	let at = 0, since = 0;
	const read = () => { at = Number(main().dataset.at); since = performance.now(); };
	const now = () => at + (performance.now() - since) / 1000;
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
		for (const el of document.querySelectorAll("[data-age-of]")) setText(el, words.age.replace("%s", length(now() - Number(el.dataset.ageOf))));
		if (now() - at > Number(main().dataset.stale)) main().classList.add("stale");
	};
	let fetching = false;
	const renew = async () => {
		if (fetching) return;
		fetching = true;
		try {
			const got = await fetch("/", { headers: { "X-Part": "main" }, cache: "no-store", signal: AbortSignal.timeout(12000) });
			const text = await got.text();
			if (!text.startsWith("<main")) throw new Error(got.status);
			const box = document.createElement("template");
			box.innerHTML = text;
			main().replaceWith(box.content);
			read();
			link.hidden = true;
		} catch {
			setText(link, words.offline.replace("%s", length(now() - at)));
			link.hidden = false;
		} finally { fetching = false; }
		tick();
	};
	read();
	tick();
	setInterval(tick, 1000);
	setInterval(renew, 15000);
	document.addEventListener("visibilitychange", () => { if (document.visibilityState === "visible") renew(); });
})();
