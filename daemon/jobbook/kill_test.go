package jobbook

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/advisor"
)

// writeUntilKilled is the child: it gives commands as fast as they are taken and prints each one's key and seq once it is acknowledged.
func writeUntilKilled(path, name string) error {
	ctx := context.Background()
	b, err := Open(ctx, path, Options{})
	if err != nil {
		return err
	}
	defer b.Close()
	coats, err := b.RunningCoats(ctx)
	if err != nil {
		return err
	}
	for i := 0; ; i++ {
		at := Stamp{Wall: morning + hour + int64(i), Mono: int64(i), Boot: name, Clock: ClockSynced}
		var p Payload = Touch{Coat: coats[0].ID, State: advisor.StateWet, Note: strings.Repeat("n", i%900)}
		if i%7 == 3 {
			p = Note{Text: strings.Repeat("a long note ", i%300+1)}
		}
		key := fmt.Sprintf("%s/%d", name, i)
		res, err := b.Do(ctx, Command{Who: "child", At: at, Key: key, Payload: p})
		if err != nil {
			return err
		}
		if _, err := fmt.Println(key, res.Seq); err != nil {
			return err
		}
	}
}

func TestMain(m *testing.M) {
	if path := os.Getenv("JOBBOOK_TEST_CHILD"); path != "" {
		fmt.Fprintln(os.Stderr, writeUntilKilled(path, os.Getenv("JOBBOOK_TEST_NAME")))
		os.Exit(3)
	}
	os.Exit(m.Run())
}

// A process killed with -9 in mid write loses no command that it acknowledged, and the book is sound. Five times; 200 with TACKLINE_LONG=1.
func TestKilledInMidWrite(t *testing.T) {
	times := 5
	if os.Getenv("TACKLINE_LONG") == "1" {
		times = 200
	}
	seed := uint64(time.Now().UnixNano())
	if s := os.Getenv("TACKLINE_SEED"); s != "" {
		var err error
		seed, err = strconv.ParseUint(s, 10, 64)
		require.NoError(t, err)
	}
	t.Logf("TACKLINE_SEED=%d", seed)
	random := rand.New(rand.NewPCG(seed, 0))
	path := filepath.Join(t.TempDir(), "jobbook.db")
	d := &desk{t: t, b: openAt(t, path), now: morning, path: path}
	d.coat(d.piece(d.job()))
	require.NoError(t, d.b.Close())

	acknowledged := map[string]int64{}
	for i := range times {
		for key, seq := range runAndKill(t, path, fmt.Sprintf("run%d", i), 1+random.IntN(60), time.Duration(random.IntN(3000))*time.Microsecond) {
			acknowledged[key] = seq
		}
		if i%20 == 19 || i == times-1 || i < 5 {
			checkNothingLost(t, path, acknowledged)
		}
	}
	t.Logf("%d kills, %d commands acknowledged, none lost", times, len(acknowledged))
}

func runAndKill(t *testing.T, path, name string, after int, extra time.Duration) map[string]int64 {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run=^$")
	cmd.Env = append(os.Environ(), "JOBBOOK_TEST_CHILD="+path, "JOBBOOK_TEST_NAME="+name)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	got := map[string]int64{}
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		key, text, ok := strings.Cut(lines.Text(), " ")
		seq, err := strconv.ParseInt(text, 10, 64)
		if !ok || err != nil {
			continue // the last line may be cut
		}
		got[key] = seq
		if len(got) == after {
			time.Sleep(extra) // somewhere into the next commands; the pipe keeps what they print
			require.NoError(t, cmd.Process.Kill())
		}
	}
	require.ErrorContains(t, cmd.Wait(), "killed")
	require.GreaterOrEqual(t, len(got), after)
	return got
}

func checkNothingLost(t *testing.T, path string, acknowledged map[string]int64) {
	t.Helper()
	ctx := context.Background()
	b, err := Open(ctx, path, Options{})
	require.NoError(t, err)
	defer b.Close()
	require.NoError(t, b.Integrity(ctx))
	require.NoError(t, b.CheckState(ctx))
	v, err := b.Verify(ctx)
	require.NoError(t, err)
	require.Zero(t, v.BadRow, v.Why)
	stored := map[string]int64{}
	require.NoError(t, walk(ctx, b.read, func(e Entry) error {
		stored[e.Key] = e.Seq
		return nil
	}))
	for key, seq := range acknowledged {
		require.Equal(t, seq, stored[key], "command %s was acknowledged", key)
	}
}
