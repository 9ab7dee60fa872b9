package main

import (
	"context"
	"encoding/json"
	"fmt"
	"image"
	"image/png"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon"
)

// shedForCommands is a simulated shed on loopback and a way to run commands against it.
func shedForCommands(t *testing.T) func(args ...string) result {
	t.Helper()
	d, err := daemon.NewDemo(t.Context(), daemon.DemoOptions{Seed: 1, Speed: 60, Folder: t.TempDir(), Listen: "127.0.0.1:0"})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	t.Cleanup(func() { cancel(); require.NoError(t, <-done) })
	return func(args ...string) result {
		var out, errs strings.Builder
		e := env{in: strings.NewReader(""), out: &out, err: &errs, now: func() time.Time { return time.Date(2026, 1, 21, 13, 0, 0, 0, time.UTC) },
			getenv: func(k string) string { return map[string]string{"TACKLINE_WHO": "Ida", "TACKLINE_SERVER": d.Addr()}[k] }}
		code := run(t.Context(), e, args)
		return result{code, out.String(), errs.String()}
	}
}

var keptAs = regexp.MustCompile(`(job|piece|person|item|batch|coat|note|photo|reading) (\d+)`)

// TestAJobByTheCommandLine enters everything that the job book takes, and reads it again. All of it is invented.
func TestAJobByTheCommandLine(t *testing.T) {
	call := shedForCommands(t)
	good := func(args ...string) string {
		t.Helper()
		r := call(args...)
		require.Zero(t, r.code, "%v: %s%s", args, r.out, r.err)
		require.Empty(t, r.err)
		return r.out
	}
	made := func(args ...string) string {
		t.Helper()
		out := good(args...)
		m := keptAs.FindStringSubmatch(out)
		require.NotNil(t, m, out)
		return m[2]
	}
	job := made("job", "add", "Dunlin", "--boat", "a skiff", "--begins", "2026-01-10")
	good("job", "edit", "Dunlin", "--owner", "Wren")
	require.Contains(t, good("job", "list"), "since 10 Jan 2026 00:00")
	keel := made("job", "piece", "keel", "--job", "Dunlin", "--lie", "upright", "--thickness", "0.75in", "--density", "500", "--area", "1.2m2", "--sealed", "back", "--faces", "1")
	made("job", "piece", "edit", "keel", "--thickness", "20mm")
	require.Regexp(t, `keel\s+job `+job+`\s+upright\s+bare\s+20 mm\s+1.2 m2`, good("job", "piece", "list", "--job", job))
	good("job", "tape", "surface", "--piece", "keel", "--from", "08:30")
	good("job", "tape", "surface", "--off")
	require.Contains(t, good("job", "tape", "list"), "no piece")
	good("job", "meter", "keel", "11.5%", "--depth-mm", "5")
	require.Contains(t, good("job", "meter", "list"), "11.5 %")
	good("hand", "--surface", "14.2", "--piece", "keel")
	note := made("job", "note", "sun came round at three", "--piece", "keel")
	require.Contains(t, good("job", "note", "list", "--piece", "keel"), "Ida")
	made("people", "add", "Wren", "--from", "07:30", "--days", "mon-thu,sat", "--pace", "6")
	good("people", "edit", "Wren", "--off", "2026-12-24,2026-12-25")
	good("people", "units", "Wren", "--temperature", "F", "--decimal", "comma")
	good("people", "units", "Wren", "--mass", "oz")
	require.Contains(t, good("people", "list", "--json"), `"temperature": "F"`)
	require.Regexp(t, `Wren\s+07:30 to 17:00\s+mon tue wed thu sat\s+6 m2/h\s+off 2026-12-24, 2026-12-25`, good("people", "list"))
	drum := made("stock", "add", "resin drum", "--what", "resin", "--system", "medium", "--lot", "R12", "--unit", "g", "--amount", "5000", "--opened", "2026-01-05", "--expiry", "2027-01-01")
	twill := made("stock", "add", "twill", "--what", "fabric", "--amount", "20", "--width", "1.2m", "--weight", "200", "--lap-mm", "50", "--waste", "0.1")
	require.Contains(t, good("stock", "need", "twill", "--piece", "keel", "--layers", "2"), "2.3 m of twill for 1.2 m2 in 2 layers, lap and waste included; 20.0 m are left: there is enough.")
	require.Contains(t, good("stock", "need", "twill", "--area", "30m2"), "are missing")
	good("job", "limit", "margin_k", "4", "--unit", "K", "--source", "the sheet")
	good("job", "limit", "margin_k", "3.5", "--unit", "K", "--source", "the sheet")
	require.Regexp(t, `margin_k\s+3.5 K`, good("job", "limit"))
	require.Contains(t, call("job", "limit", "margin_k", "3", "--unit", "K", "--source", "x", "--saw", "1").err, "margin_k")
	made("stock", "use", "twill", "4.4")
	good("stock", "edit", "resin drum", "--note", "on the shelf")
	require.Regexp(t, `twill\s+fabric\s+15.6 m left`, good("stock", "list"))
	good("stock", "edit", twill, "--left", "15")
	require.Regexp(t, `twill\s+fabric\s+15 m left`, good("stock", "list"))
	require.Contains(t, good("stock", "use", twill, "16"), "Note: twill: 1 m more was used")
	batch := made("batch", "start", "--system", "medium", "--mass", "250g", "--resin", "18C", "--diameter", "90mm", "--stock", drum)
	require.Eventually(t, func() bool { return strings.Contains(call("batch", "list").out, "batch "+batch+": good") }, 20*time.Second, 50*time.Millisecond)
	good("batch", "move", batch, "--tray", "900cm2")
	require.Eventually(t, func() bool { return strings.Contains(call("batch", "list").out, "in a tray") }, 20*time.Second, 50*time.Millisecond)
	coat := made("coat", "start", "--piece", "keel", "--kind", "seal", "--system", "medium", "--batch", batch)
	coat = keptAs.FindStringSubmatch(strings.Split(good("coat", "touch", coat, "wet", "--witness"), ",")[0])[2]
	good("coat", "edit", coat, "--resin", "17.5", "--at", "12:55")
	good("batch", "end", batch, "--how", "left over")
	require.Eventually(t, func() bool { return strings.Contains(call("batch", "list").out, "No batch stands mixed.") }, 20*time.Second, 50*time.Millisecond)
	require.Contains(t, good("batch", "list", "--all"), "left over")
	file := filepath.Join(t.TempDir(), "weave.png")
	f, err := os.Create(file)
	require.NoError(t, err)
	require.NoError(t, png.Encode(f, image.NewGray(image.Rect(0, 0, 5, 4))))
	require.NoError(t, f.Close())
	photo := made("job", "photo", file, "--coat", coat, "--caption", "weave full")
	require.Contains(t, good("job", "photo", "list", "--coat", coat), "5 x 4")
	copied := filepath.Join(t.TempDir(), "copy.png")
	good("job", "photo", "get", photo, "--out", copied)
	want, err := os.ReadFile(file)
	require.NoError(t, err)
	got, err := os.ReadFile(copied)
	require.NoError(t, err)
	require.Equal(t, want, got)
	good("coat", "end", coat, "--note", "peel ply laid")
	require.Contains(t, good("coat", "list"), "ended 21 Jan 2026")
	history := good("job", "history", "piece", keel)
	require.Contains(t, history, "thickness_mm was 19.05, is 20")
	require.Contains(t, history, "Ida")
	good("job", "undo", note, "--note", "wrong day")
	require.Contains(t, good("job", "note", "list", "--piece", "keel"), "No note yet")
	require.Contains(t, good("job", "journal", "--limit", "500"), "undo")
	good("job", "close", "Dunlin")
	require.Regexp(t, `Dunlin\s+closed`, good("job", "list"))
	good("job", "reopen", "Dunlin")

	for _, args := range [][]string{{"job", "list"}, {"job", "piece", "list"}, {"job", "tape", "list"}, {"job", "note", "list"}, {"job", "photo", "list"}, {"job", "meter", "list"},
		{"people", "list"}, {"stock", "list"}, {"batch", "list"}, {"batch", "list", "--all"}, {"coat", "list"}, {"job", "history", "job", job}} {
		var list []map[string]any
		require.NoError(t, json.Unmarshal([]byte(good(append(args, "--json")...)), &list), "%v", args)
	}
	var said struct{ Seq, ID int64 }
	require.NoError(t, json.Unmarshal([]byte(good("job", "note", "by program", "--json")), &said))
	require.Positive(t, said.Seq)
	require.Equal(t, said.Seq, said.ID)
}

// TestTwoPeopleAtTheCommandLine: the second, who looked at an older revision, is told what the first changed, and nothing of hers is kept.
func TestTwoPeopleAtTheCommandLine(t *testing.T) {
	call := shedForCommands(t)
	require.Zero(t, call("job", "piece", "edit", "starboard topside", "--thickness", "12mm", "--who", "Wren").code)
	r := call("job", "piece", "edit", "starboard topside", "--thickness", "10mm", "--rev", "1")
	require.Equal(t, exitFailed, r.code)
	r.err = regexp.MustCompile(`20\d\d-\d\d-\d\dT[\d:.]+Z`).ReplaceAllString(r.err, "TIME")
	require.Equal(t, "tackline job piece edit: nothing was kept: piece 5 was changed since you looked at it (revision 1, now 2)\n"+
		"  Wren at TIME: --thickness was 9, is 12\nlook again, then repeat what is still right\n", r.err)
	require.Regexp(t, `starboard topside\s+job 2\s+upright\s+\w+\s+12 mm`, call("job", "piece", "list").out)
}

// TestWhatCannotBeKeptIsSaidByFlag: the daemon's fields come back as the flags that were typed, all at once.
func TestWhatCannotBeKeptIsSaidByFlag(t *testing.T) {
	call := shedForCommands(t)
	for _, c := range []struct {
		args []string
		code int
		says []string
	}{
		{[]string{"job", "piece", "x", "--job", "Sandpiper", "--lie", "askew", "--sealed", "top"}, exitFailed, []string{`--lie "askew" is not one of overhead, upright, flat`, "--sealed"}},
		{[]string{"job", "piece", "x", "--job", "Snipe"}, exitUsage, []string{`job "Snipe" is not in the job book: there are 2 Sandpiper`}},
		{[]string{"job", "piece", "x", "--job", "2", "--thickness", "9kg"}, exitUsage, []string{"--thickness", "kg"}},
		{[]string{"job", "edit", "2"}, exitUsage, []string{"nothing to change", "--owner"}},
		{[]string{"job", "note", "a", "--at", "noon"}, exitUsage, []string{"--at", "14:05"}},
		{[]string{"job", "note", "a", "--job", "2", "--piece", "3"}, exitUsage, []string{"one of --job"}},
		{[]string{"job", "tape", "surface"}, exitUsage, []string{"--piece or --off"}},
		{[]string{"job", "undo", "1"}, exitFailed, []string{"entry 1"}},
		{[]string{"job", "history", "hat", "3"}, exitFailed, []string{"classes are"}},
		{[]string{"batch", "start", "--system", "medium"}, exitUsage, []string{"--mass", "--strokes"}},
		{[]string{"batch", "start", "--system", "treacle", "--mass", "100g"}, exitFailed, []string{"--system", "treacle"}},
		{[]string{"batch", "move", "9999"}, exitFailed, []string{"no batch 9999"}},
		{[]string{"batch", "end", "one"}, exitUsage, []string{"tackline batch list"}},
		{[]string{"stock", "add", "x", "--what", "fabric", "--unit", "g"}, exitFailed, []string{"--unit", "by the metre"}},
		{[]string{"people", "add", "x", "--days", "mon-someday"}, exitUsage, []string{"--days", "mon-fri"}},
		{[]string{"coat", "start", "--piece", "foredeck", "--kind", "paint", "--system", "medium"}, exitFailed, []string{`--kind "paint" is not one of seal`}},
		{[]string{"job", "photo", "story_test.go"}, exitFailed, []string{"image/png or image/jpeg"}},
	} {
		r := call(c.args...)
		require.Equal(t, c.code, r.code, "%v: %s", c.args, r.err)
		for _, s := range c.says {
			require.Contains(t, r.err, s, "%v", c.args)
		}
	}
}

// Every command that enters something has a worked example in its help, and its helps are files that a reviewer reads.
func TestHelpOfTheJobBook(t *testing.T) {
	for _, group := range []string{"job", "coat", "batch", "stock", "people"} {
		var all strings.Builder
		c, _, err := newRootCmd(env{getenv: func(string) string { return "" }, now: time.Now}).Find([]string{group})
		require.NoError(t, err)
		require.NotEmpty(t, c.Example, group)
		all.WriteString(tackline(t, group, "--help").out)
		for _, sub := range c.Commands() {
			if sub.Name() == "help" {
				continue
			}
			fmt.Fprintf(&all, "\n$ tackline %s %s --help\n%s", group, sub.Name(), tackline(t, group, sub.Name(), "--help").out)
		}
		file := filepath.Join("testdata", "help-"+group+".txt")
		if *update {
			require.NoError(t, os.WriteFile(file, []byte(all.String()), 0o644))
		}
		want, err := os.ReadFile(file)
		require.NoError(t, err)
		require.Equal(t, string(want), all.String())
	}
}

// TestAlertsByTheCommandLine lists what rings and how the ways are doing, says seen and silent, takes it back, and tries a way that there is not.
func TestAlertsByTheCommandLine(t *testing.T) {
	call := shedForCommands(t)
	pot := call("batch", "start", "--system", "fast", "--mass", "2000g", "--resin", "25C", "--diameter", "150mm") // and left standing
	require.Zero(t, pot.code, pot.err)
	list := ""
	require.Eventually(t, func() bool {
		list = call("alert", "list").out
		return strings.Contains(list, "Heat and fume")
	}, time.Minute, 200*time.Millisecond)
	require.Contains(t, list, `way "log": last through`)
	key := regexp.MustCompile(`batch/\d+/heat`).FindString(list)
	r := call("alert", "seen", key)
	require.Zero(t, r.code, r.err)
	require.Contains(t, call("alert", "list").out, "seen by Ida")
	entry := regexp.MustCompile(`entry (\d+)`).FindStringSubmatch(r.out)
	r = call("job", "undo", entry[1])
	require.Zero(t, r.code, r.err)
	require.NotContains(t, call("alert", "list").out, "seen by Ida")
	r = call("alert", "snooze", key, "2h")
	require.Zero(t, r.code, r.err)
	require.Contains(t, call("alert", "list").out, "silent until")
	require.Equal(t, exitUsage, call("alert", "snooze", key, "soon").code)
	r = call("alert", "seen", "batch/99/heat")
	require.Equal(t, exitFailed, r.code)
	require.Contains(t, r.err, "nothing of that name holds now")
	require.Contains(t, call("alert", "try").out, "log: accepted.")
	require.Contains(t, call("alert", "try", "phone").err, "no way out is named")
	require.Contains(t, call("alert", "list", "--json").out, `"standing"`)
}
