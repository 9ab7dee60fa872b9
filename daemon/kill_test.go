package daemon

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/daemon/jobbook"
	"tackline/daemon/store"
	"tackline/sensors"
)

// childFolder names the data folder to a child that is to be killed.
const childFolder = "TACKLINE_TEST_KILL_FOLDER"

// TestMain lets this test binary run a daemon as a child.
func TestMain(m *testing.M) {
	if folder := os.Getenv(childFolder); folder != "" {
		if err := runChild(folder); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// runChild runs a simulated shed as fast as it goes, enters notes beside it, and says each thing once it is acknowledged. However slow the machine is,
// the shed's time moves only with the loop.
func runChild(folder string) error {
	d, err := NewDemo(context.Background(), DemoOptions{Seed: 5, Folder: folder, Listen: "127.0.0.1:0", Observe: func(m Moment) {
		fmt.Printf("at %d\n", m.At.UnixMilli())
	}})
	if err != nil {
		return err
	}
	facts, err := d.book.State(context.Background())
	if err != nil {
		return err
	}
	go func() {
		for i := 0; ; i++ {
			r, err := d.Do(context.Background(), fmt.Sprintf("note-%d", i), "Wren", jobbook.Note{About: jobbook.About{Job: facts.Jobs[0].ID}, Text: fmt.Sprintf("note %d", i)})
			if err != nil {
				fmt.Fprintln(os.Stderr, err)
				os.Exit(1)
			}
			fmt.Printf("kept %d\n", r.Seq)
		}
	}()
	return d.Run(context.Background())
}

// TestKilledInMidWrite kills the unchanged daemon while it stores readings and commands. Afterwards both files are whole, every acknowledged
// command is there, and at most one commit interval of readings is missing.
func TestKilledInMidWrite(t *testing.T) {
	if testing.Short() {
		t.Skip("short: a child under the race detector tells nothing that it does not tell without")
	}
	for i := range 5 {
		folder := t.TempDir()
		child := exec.Command(os.Args[0])
		child.Env = append(os.Environ(), childFolder+"="+folder)
		child.Stderr = os.Stderr
		out, err := child.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, child.Start())
		var kept, at int64
		lines := bufio.NewScanner(out)
		minutes := 0
		for lines.Scan() {
			word, number, _ := strings.Cut(lines.Text(), " ")
			n, err := strconv.ParseInt(number, 10, 64)
			require.NoError(t, err)
			switch word {
			case "kept":
				kept = n
			case "at":
				at = n
				minutes++
			}
			if kept > 0 && minutes > 6+3*i {
				break
			}
		}
		require.NoError(t, child.Process.Signal(syscall.SIGKILL))
		for lines.Scan() { // what it had said before it died
			word, number, _ := strings.Cut(lines.Text(), " ")
			n, err := strconv.ParseInt(number, 10, 64)
			switch {
			case err != nil: // a line that was cut by the kill
			case word == "kept":
				kept = n
			case word == "at":
				at = n
			}
		}
		_ = child.Wait()
		requireWhole(t, folder, kept, at)
	}
}

func requireWhole(t *testing.T, folder string, kept, at int64) {
	t.Helper()
	ctx := t.Context()
	book, err := jobbook.Open(ctx, folder+"/jobbook.db", jobbook.Options{})
	require.NoError(t, err)
	require.NoError(t, book.Integrity(ctx))
	v, err := book.Verify(ctx)
	require.NoError(t, err)
	require.Zero(t, v.BadRow, v.Why)
	require.GreaterOrEqual(t, v.Rows, kept, "an acknowledged command is gone")
	require.NoError(t, book.Close())
	s, err := store.Open(ctx, folder+"/readings.db", store.Options{})
	require.NoError(t, err)
	require.Empty(t, s.SetAside())
	require.NoError(t, s.Integrity(ctx))
	n, err := s.Latest(ctx, "bench", sensors.Temperature)
	require.NoError(t, err)
	require.NotNil(t, n.Any)
	// One commit interval of 60 s, and the reading's own interval of as much.
	require.LessOrEqual(t, at-n.Any.At, int64(2*minuteMs), "more than a commit interval of readings is gone")
	require.NoError(t, s.Close())
}
