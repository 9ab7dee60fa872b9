package main

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon"
)

// TestCommandsAgainstADaemon goes the way of the README's first use, against a simulated shed on loopback.
func TestCommandsAgainstADaemon(t *testing.T) {
	folder := t.TempDir()
	d, err := daemon.NewDemo(t.Context(), daemon.DemoOptions{Seed: 1, Speed: 60, Folder: folder, Listen: "127.0.0.1:0"})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	defer func() { cancel(); require.NoError(t, <-done) }()
	at := []string{"--server", d.Addr()}
	call := func(args ...string) (string, string, int) {
		t.Helper()
		var out, errs strings.Builder
		e := env{in: strings.NewReader(""), out: &out, err: &errs, now: time.Now, getenv: func(string) string { return "" }}
		code := run(t.Context(), e, append(args, at...))
		return out.String(), errs.String(), code
	}
	good := func(args ...string) string {
		t.Helper()
		out, errs, code := call(args...)
		require.Zero(t, code, errs)
		return out
	}
	require.Eventually(t, func() bool { out, _, _ := call("now"); return strings.Contains(out, "foredeck: ") }, 20*time.Second, 100*time.Millisecond)
	var now struct {
		Pieces []struct {
			Piece, Verdict string
			Reasons        []struct{ Rule, Verdict, Unit, Source, Text string }
		}
		Coats []struct {
			Coat    string
			State   string
			Windows []struct{ Window string }
		}
	}
	require.NoError(t, json.Unmarshal([]byte(good("now", "--json")), &now))
	require.Len(t, now.Pieces, 3)
	require.Len(t, now.Pieces[0].Reasons, 8)
	require.Len(t, now.Coats[0].Windows, 2)
	tryPlan(t, call)
	require.Contains(t, good("job", "list"), "Sandpiper")
	require.Contains(t, good("job", "add", "Dunlin (invented)"), "Kept: job")
	require.Contains(t, good("job", "piece", "keel", "--job", "2", "--lie", "upright", "--thickness-mm", "20"), "Kept: piece")
	require.Contains(t, good("coat", "start", "--piece", "keel", "--kind", "seal", "--system", "medium"), "Kept: seal on keel")
	list := good("coat", "list")
	line := strings.TrimSpace(list[strings.LastIndex(strings.TrimRight(list, "\n"), "\n")+1:])
	require.Contains(t, line, "seal on keel")
	coat := strings.Fields(line)[0]
	require.Contains(t, good("coat", "touch", coat, "wet"), "Kept")
	require.Contains(t, good("drum", "forget", "medium", "--drum", "K12", "--note", "a new one"), `no coat of drum "K12" of medium is in the book`)
	require.NotEmpty(t, good("drum", "list"))
	require.Contains(t, good("coat", "end", coat), "has ended")
	require.Contains(t, good("record", "2", "--format", "csv"), "time_utc")
	sequenceOn(t, good, "keel")
	file := filepath.Join(t.TempDir(), "record.html")
	require.Empty(t, good("record", "2", "--out", file))
	require.FileExists(t, file)
	pdf := filepath.Join(t.TempDir(), "record.pdf")
	require.Empty(t, good("record", "2", "--format", "pdf", "--out", pdf))
	verified := good("record", "--verify", pdf, "--data-dir", folder)
	require.Contains(t, verified, "Unaltered since it was sealed: record of job 2")
	require.Contains(t, verified, "It is of this shed's job book, and that still has the row.")
	require.Contains(t, good("record", "--verify", pdf, "--data-dir", t.TempDir()), "The job book is not at hand")
	sheet := filepath.Join(t.TempDir(), "record.csv")
	require.Empty(t, good("record", "2", "--format", "csv", "--out", sheet, "--sig", sheet+".sig"))
	text, err := os.ReadFile(sheet)
	require.NoError(t, err)
	require.Contains(t, good("record", "--verify", sheet, "--data-dir", folder), "Unaltered")
	require.NoError(t, os.WriteFile(sheet, []byte(strings.Replace(string(text), "reading", "Reading", 1)), 0o600))
	said, _, code := call("record", "--verify", sheet, "--data-dir", folder, "--head", "1:"+strings.Repeat("0", 64))
	require.Equal(t, exitWanting, code)
	require.Contains(t, said, "The file is not as it was sealed")
	require.Contains(t, said, "does not have the row 1 that was sent out")
	said, _, code = call("record", "--verify", file, "--data-dir", folder)
	require.Equal(t, exitWanting, code)
	require.Contains(t, said, "nothing can be said of it")

	require.Equal(t, "Kept: dry bulb 14.5 C, wet bulb 12 C, which is 75 % relative humidity.\n", good("hand", "--dry", "14.5", "--wet", "12", "--instrument", "whirling hygrometer"))
	require.Equal(t, "Kept: air 15 C, humidity 70 %.\n", good("hand", "--air", "59F", "--rh", "70"))
	require.Equal(t, "Kept: surface of keel 9.5 C.\n", good("hand", "--surface", "9.5", "--piece", "keel"))
	require.Equal(t, "No node was heard yet.\n", good("node", "list"))
	require.Contains(t, good("node", "list", "--json"), `"broker":null`)
	require.Contains(t, good("node", "bind", "mqtt:a4"), "mqtt:a4 is no probe")

	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"node", "bind", "mqtt:a4", "bow"}, exitFailed, "no probe of the config that a node can be bound to"},
		{[]string{"hand"}, exitUsage, "nothing was read"},
		{[]string{"hand", "--dry", "12"}, exitUsage, "belong together"},
		{[]string{"hand", "--dry", "12", "--wet", "14"}, exitFailed, "up to the dry bulb"},
		{[]string{"hand", "--surface", "9", "--piece", "rudder"}, exitUsage, "is not in the job book"},
		{[]string{"hand", "--air", "9", "--at", "yesterday"}, exitUsage, "RFC 3339"},
		{[]string{"node", "bind"}, exitUsage, "accepts between 1 and 2"},
		{[]string{"coat", "touch", coat, "soggy"}, exitFailed, "wet, tacky, green, firm, sandable"},
		{[]string{"coat", "touch", "seven", "tacky"}, exitUsage, "no number of a coat"},
		{[]string{"coat", "start", "--piece", "rudder", "--kind", "seal", "--system", "medium"}, exitUsage, "is not in the job book"},
		{[]string{"coat", "start", "--piece", "keel", "--kind", "seal", "--system", "treacle"}, exitFailed, "--system"},
		{[]string{"record", "77"}, exitFailed, "77"},
		{[]string{"record", "2", "--format", "doc"}, exitUsage, "html, pdf, csv or json"},
		{[]string{"job", "piece", "x", "--job", "9999"}, exitFailed, "job"},
		{[]string{"job", "steps", "rudder"}, exitUsage, "is not in the job book"},
		{[]string{"job", "steps", "keel", "--template", "varnish"}, exitUsage, "tackline job templates lists them"},
		{[]string{"job", "steps", "keel", "--insert", "9=wash"}, exitUsage, "NUMBER=WORK"},
		{[]string{"job", "steps", "keel", "--insert", "1=varnish"}, exitUsage, "is not one of seal"},
		{[]string{"job", "steps", "keel", "--drop", "7"}, exitUsage, "steps 1 to 5"},
		{[]string{"job", "steps", "keel", "--clear", "--template", "finish"}, exitUsage, "give one of"},
		{[]string{"job", "steps", "keel", "--fabric", "-5"}, exitUsage, "fabric"},
		{[]string{"job", "did", "keel", "varnished"}, exitUsage, "washed, scuffed"},
		{[]string{"job", "did", "keel", "washed", "--at", "noon"}, exitUsage, "is no time"},
		{[]string{"job", "undo", "99999"}, exitFailed, "99999"},
	} {
		_, errs, code := call(c.args...)
		require.Equal(t, c.code, code, "%v: %s", c.args, errs)
		require.Contains(t, errs, c.says, "%v", c.args)
	}
}

// tryPlan asks for plans on the demo's pieces.
func tryPlan(t *testing.T, call func(...string) (string, string, int)) {
	t.Helper()
	out, errs, code := call("plan", "foredeck", "--json", "--what-if", "tent=5K + hours=07:00-20:00")
	require.Contains(t, []int{exitOK, exitWanting}, code, errs)
	var p struct {
		Piece  string
		Starts []struct {
			At      time.Time
			Chance  *float64
			Weakest string
			Steps   []struct {
				Step                string
				Early, Likely, Late *time.Time
			}
		}
		WhatIf []struct {
			Text string
			Heat struct{ Low, Likely, High float64 } `json:"heat_kwh_day"`
		} `json:"what_if"`
	}
	require.NoError(t, json.Unmarshal([]byte(out), &p))
	require.Equal(t, "foredeck", p.Piece)
	require.Len(t, p.Starts, 192)
	require.NotEmpty(t, p.Starts[0].Steps)
	require.NotNil(t, p.Starts[0].Steps[0].Likely)
	require.GreaterOrEqual(t, *p.Starts[0].Chance, *p.Starts[191].Chance)
	require.Len(t, p.WhatIf, 1)
	require.Greater(t, p.WhatIf[0].Heat.Likely, p.WhatIf[0].Heat.Low)
	out, _, _ = call("plan", "foredeck")
	require.Contains(t, out, "What is left: ")
	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"plan"}, exitFailed, "name the piece: foredeck"},
		{[]string{"plan", "rudder"}, exitFailed, "is not in the job book"},
		{[]string{"plan", "foredeck", "--what-if", "pray"}, exitUsage, "want such as"},
		{[]string{"plan", "foredeck", "--what-if", "system=treacle"}, exitFailed, "no resin system is called"},
	} {
		_, errs, code := call(c.args...)
		require.Equal(t, c.code, code, "%v: %s", c.args, errs)
		require.Contains(t, errs, c.says)
	}
}

// TestPlanFromATrace: without a daemon, from the committed simulated trace.
func TestPlanFromATrace(t *testing.T) {
	ask := func(args ...string) (string, string, int) {
		var out, errs strings.Builder
		e := env{in: strings.NewReader(""), out: &out, err: &errs, now: time.Now, getenv: func(string) string { return "" }}
		code := run(t.Context(), e, append([]string{"plan", "--trace", "../../testdata/traces/shed-winter.csv", "--columns", "air_c=room8_c,rh_pct=room8_rh_pct",
			"--zone", "Europe/Lisbon", "--at", "2016-03-20T07:30"}, args...))
		return out.String(), errs.String(), code
	}
	out, errs, code := ask("--system", "medium", "--sequence", "wet-method", "--area", "4m2", "--moisture", "11", "--work", "08:00-18:00", "--json")
	require.Contains(t, []int{exitOK, exitWanting}, code, errs)
	var p struct {
		Zone   string
		Steps  []string
		Starts []struct{ At time.Time }
	}
	require.NoError(t, json.Unmarshal([]byte(out), &p))
	require.Equal(t, "Europe/Lisbon", p.Zone)
	require.Equal(t, []string{"seal", "bedding", "lay fabric", "wet-out", "fill", "fill", "fill"}, p.Steps)
	require.Len(t, p.Starts, 192)
	for _, s := range p.Starts {
		require.False(t, s.At.Before(time.Date(2016, 3, 20, 7, 30, 0, 0, time.UTC)))
	}
	out, _, _ = ask("--system", "medium", "--coated")
	require.Contains(t, out, "a piece, at Sun 07:30")
	for _, c := range []struct {
		args []string
		says string
	}{{nil, "--system medium"}, {[]string{"--system", "medium", "--sequence", "luck"}, "wet method"}, {[]string{"--system", "medium", "--work", "early"}, "08:00-18:00"},
		{[]string{"foredeck", "--system", "medium"}, "leave out"}} {
		_, errs, code := ask(c.args...)
		require.Equal(t, exitUsage, code, errs)
		require.Contains(t, errs, c.says)
	}
}

func TestNoDaemonIsSaid(t *testing.T) {
	var out, errs strings.Builder
	e := env{in: strings.NewReader(""), out: &out, err: &errs, now: time.Now, getenv: func(string) string { return "" }}
	require.Equal(t, exitFailed, run(t.Context(), e, []string{"now", "--server", "127.0.0.1:1"}))
	require.Contains(t, errs.String(), "is it running?")
}
