// Prints Lighthouse's figures for pages of a running tackline, as a phone sees them: node figures.mjs http://127.0.0.1:8417 / /coats ...
// It ends with 1 where a page falls short of its goal: 95 for performance, 100 for accessibility and for best practices.
import { spawn } from "node:child_process";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import lighthouse from "lighthouse";

const [base, ...pages] = process.argv.slice(2);
const goals = { performance: 95, accessibility: 100, "best-practices": 100 };
const profile = mkdtempSync(join(tmpdir(), "tackline-lighthouse-"));
const chrome = spawn(process.env.CHROME_PATH || "chromium", ["--headless", "--no-sandbox", "--disable-gpu", "--remote-debugging-port=0", "--user-data-dir=" + profile, "about:blank"]);
const port = await new Promise((found, failed) => {
	let said = "";
	chrome.stderr.on("data", (d) => {
		said += d;
		const m = said.match(/DevTools listening on ws:\/\/127\.0\.0\.1:(\d+)/);
		if (m) found(Number(m[1]));
	});
	chrome.on("exit", () => failed(new Error("chromium ended: " + said)));
});
let short = 0;
console.log("page".padEnd(34) + Object.keys(goals).map((g) => g.padStart(16)).join(""));
try {
	for (const page of pages) {
		const { lhr } = await lighthouse(base + page, { port, output: "json", logLevel: "error", onlyCategories: Object.keys(goals) });
		const got = Object.keys(goals).map((g) => Math.round(100 * lhr.categories[g].score));
		console.log(page.padEnd(34) + got.map((v) => String(v).padStart(16)).join(""));
		Object.values(goals).forEach((goal, i) => { if (got[i] < goal) short = 1; });
		for (const g of Object.keys(goals))
			for (const ref of lhr.categories[g].auditRefs) {
				const a = lhr.audits[ref.id];
				if (ref.weight > 0 && a.score !== null && a.score < 0.9) console.log("    " + ref.id + ": " + (a.displayValue || a.title));
			}
	}
} finally {
	chrome.removeAllListeners("exit");
	chrome.kill();
	await new Promise((gone) => chrome.on("exit", gone));
	rmSync(profile, { recursive: true, force: true });
}
process.exitCode = short;
