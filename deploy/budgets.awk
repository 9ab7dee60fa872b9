# Makes the table of deploy/budgets of what "go test -bench" printed: awk -f deploy/budgets.awk OUTPUT deploy/budgets
function median(key,   k, i, j, t, a) {
	k = n[key]
	for (i = 1; i <= k; i++) a[i] = v[key, i]
	for (i = 2; i <= k; i++) for (j = i; j > 1 && a[j] < a[j - 1]; j--) { t = a[j]; a[j] = a[j - 1]; a[j - 1] = t }
	return k % 2 ? a[(k + 1) / 2] : (a[k / 2] + a[k / 2 + 1]) / 2
}
# worst gives the greatest median (the least, where more is better) of the benchmarks that a line of deploy/budgets names.
function worst(where, least,   part, key, bits, m, found, w) {
	split(where, part, " ")
	for (key in n) {
		split(key, bits, SUBSEP)
		if (bits[1] != part[1] || bits[2] !~ "^" part[2] "$" || bits[3] != part[3]) continue
		m = median(key)
		if (!found || (least ? m < w : m > w)) { w = m; runs = n[key] }
		found = 1
	}
	if (!found) { print "no benchmark gave " where > "/dev/stderr"; failed = 1; exit 1 }
	return w
}
# told writes a number with three figures.
function told(x) { return x >= 100 ? sprintf("%.0f", x) : sprintf("%.3g", x) }
function flush() { if (row != "") print row (beside == "" ? " |" : beside " |"); row = beside = "" }
/^pkg:/ { pkg = $2; sub(/^tackline\//, "", pkg) }
/^Benchmark/ {
	name = $1
	sub(/-[0-9]+$/, "", name)
	for (i = 3; i < NF; i += 2) { key = pkg SUBSEP name SUBSEP $(i + 1); n[key]++; v[key, n[key]] = $i + 0 }
}
/^(budget|beside) / {
	kind = $1
	sub(/^(budget|beside) /, "")
	split($0, f, "; ")
	if (kind == "budget") {
		flush()
		if (!head++) print "| what | budget | measured | of it | runs | a peer in the same run |\n|---|---|---|---|---|---|"
		split(f[2], limit, " ")
		unit = f[2]
		sub(/^at (most|least) [0-9.]+ /, "", unit)
		least = limit[2] == "least"
		x = worst(f[3], least) / f[4]
		of = limit[3] == 0 ? (x == 0 ? "kept" : "missed") : sprintf("%.2f", least ? limit[3] / x : x / limit[3])
		row = "| " f[1] " | " f[2] " | " told(x) " " unit " | " of " | " runs " |"
	} else {
		y = worst(f[2], 0) / f[3]
		beside = " " f[1] ": " told(y) ", " told(y / x) " times ours"
	}
}
END { if (!failed) flush() }
