//go:build unix

package command_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/alert"
	"tackline/daemon/alert/alerttest"
	"tackline/daemon/alert/command"
)

func script(t *testing.T, text string) alert.Way {
	t.Helper()
	w, err := command.New(command.Config{Path: "/bin/sh", Args: []string{"-c", text}})
	require.NoError(t, err)
	return w
}

func TestTheMessageComesOnStandardInput(t *testing.T) {
	for name, m := range alerttest.Messages() {
		t.Run(name, func(t *testing.T) {
			out := filepath.Join(t.TempDir(), "out")
			require.NoError(t, script(t, "cat > "+out).Send(t.Context(), m))
			data, err := os.ReadFile(out)
			require.NoError(t, err)
			var got alert.Message
			require.NoError(t, json.Unmarshal(data, &got))
			require.Equal(t, m.ID, got.ID)
		})
	}
	require.NoError(t, script(t, "exit 0").Send(t.Context(), alerttest.Messages()["long"]), "a program need not read")
}

func TestExitStatus(t *testing.T) {
	for status := range 256 {
		if status == 0 || status > 2 && status < 60 || status > 80 && status < 120 || status > 140 && status < 250 {
			continue
		}
		err := script(t, fmt.Sprintf("echo the modem says no >&2; exit %d", status)).Send(t.Context(), alerttest.Message())
		final := map[int]bool{64: true, 65: true, 77: true, 78: true, 126: true, 127: true}[status]
		typed := alerttest.Fails(t, err, !final, alerttest.Canary)
		require.EqualValues(t, status, typed.Status)
		require.ErrorContains(t, err, "the modem says no")
	}
	alerttest.Fails(t, script(t, "kill -9 $$").Send(t.Context(), alerttest.Message()), true, alerttest.Canary)
}

func TestAProgramThatHangsIsKilledWithAllThatItStarted(t *testing.T) {
	pid := filepath.Join(t.TempDir(), "pid")
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	err := script(t, "sleep 60 & echo $! > "+pid+"; wait").Send(ctx, alerttest.Message())
	alerttest.Fails(t, err, true, alerttest.Canary)
	require.ErrorIs(t, err, context.DeadlineExceeded)
	data, err := os.ReadFile(pid)
	require.NoError(t, err)
	child, err := strconv.Atoi(strings.TrimSpace(string(data)))
	require.NoError(t, err)
	require.Eventually(t, func() bool {
		state, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", child))
		return err != nil || strings.Contains(string(state), ") Z ") || syscall.Kill(child, 0) != nil
	}, 5*time.Second, 5*time.Millisecond)
}

func TestMuchTalkIsCut(t *testing.T) {
	err := script(t, "i=0; while [ $i -lt 2000 ]; do echo 'talk talk talk'; i=$((i+1)); done; exit 1").Send(t.Context(), alerttest.Message())
	alerttest.Fails(t, err, true, alerttest.Canary)
}

func TestMistakes(t *testing.T) {
	_, err := command.New(command.Config{Path: "lamp"})
	require.ErrorContains(t, err, "absolute path")
	w, err := command.New(command.Config{Path: filepath.Join(t.TempDir(), "nothing")})
	require.NoError(t, err)
	alerttest.Fails(t, w.Send(t.Context(), alerttest.Message()), false, alerttest.Canary)
}

func TestTheEnvironmentIsNotPassedOn(t *testing.T) {
	t.Setenv("SECRET_OF_THE_DAEMON", alerttest.Plain)
	answer, err := script(t, "env").(*command.Way).Try(t.Context(), alerttest.Message())
	require.NoError(t, err)
	require.NotContains(t, answer, alerttest.Plain)
}
