package daemon

import (
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/sequence"
)

// A form of the page is a command of the job book: by the script, and by a plain form without it.
func TestFormsAreKept(t *testing.T) {
	s := onLoopback(t)
	form := func(path string, fields url.Values) *http.Response {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, s.base+path, strings.NewReader(fields.Encode()))
		require.NoError(t, err)
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		req.Header.Set("Sec-Fetch-Site", "same-origin")
		stay := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
		res, err := stay.Do(req)
		require.NoError(t, err)
		t.Cleanup(func() { res.Body.Close() })
		return res
	}
	job := url.Values{"key": {"form-1"}, "who": {"Wren"}, "name": {"Sandpiper's dinghy"}, "note": {""}}
	require.Equal(t, http.StatusCreated, form("/api/v1/commands/add-job", job).StatusCode)
	require.Equal(t, http.StatusOK, form("/api/v1/commands/add-job", job).StatusCode, "the same key is obeyed once")
	require.Equal(t, http.StatusUnprocessableEntity, form("/api/v1/commands/add-job", url.Values{"begins": {"noon"}}).StatusCode)
	require.Equal(t, http.StatusUnprocessableEntity, form("/api/v1/commands/add-job", url.Values{"hue": {"blue"}}).StatusCode)

	plain := url.Values{"key": {"form-2"}, "name": {"Second dinghy"}, "back": {"/book?job=2#jobs"}}
	res := form("/do/add-job", plain)
	require.Equal(t, http.StatusSeeOther, res.StatusCode)
	require.Equal(t, "/book?job=2#jobs", res.Header.Get("Location"))
	for _, evil := range []string{"https://elsewhere.example/", "//elsewhere.example", `/\elsewhere.example`, "javascript:1"} {
		plain.Set("back", evil)
		require.Equal(t, "/", form("/do/add-job", plain).Header.Get("Location"), evil)
	}
	require.Equal(t, http.StatusUnprocessableEntity, form("/do/add-job", url.Values{"name": {""}}).StatusCode)

	// A step that says nothing of its wait gets the one that is usual for its work.
	facts, err := s.d.book.State(t.Context())
	require.NoError(t, err)
	piece := facts.Pieces[2]
	require.Equal(t, http.StatusCreated, form("/api/v1/commands/set-steps", url.Values{"key": {"form-3"}, "piece": {fmt.Sprint(piece.ID)}, "saw_rev": {fmt.Sprint(piece.Rev)},
		"steps.0.work": {"fill"}, "steps.0.count": {"2"}, "steps.1.work": {""}, "steps.1.wait": {""}, "steps": {""}}).StatusCode)
	// The second phone that saw the piece before is told what was changed since.
	res = form("/api/v1/commands/set-steps", url.Values{"key": {"form-4"}, "piece": {fmt.Sprint(piece.ID)}, "saw_rev": {fmt.Sprint(piece.Rev)}, "steps": {""}})
	require.Equal(t, http.StatusConflict, res.StatusCode)
	body, err := io.ReadAll(res.Body)
	require.NoError(t, err)
	require.Contains(t, string(body), "changed since you saw it")
	require.Contains(t, string(body), "fill")

	facts, err = s.d.book.State(t.Context())
	require.NoError(t, err)
	count := map[string]int{}
	for _, j := range facts.Jobs {
		count[j.Name]++
	}
	require.Equal(t, 1, count["Sandpiper's dinghy"])
	require.Equal(t, 1, count["Second dinghy"])
	set, _ := facts.Piece(piece.ID)
	require.Len(t, set.Steps, 1)
	require.Equal(t, sequence.Usual(sequence.Fill).Wait, set.Steps[0].Wait)

	for _, path := range []string{"/book", "/book/jobs/2", fmt.Sprintf("/book/pieces/%d", piece.ID), fmt.Sprintf("/book/past/piece/%d", piece.ID), "/book/past/job/2"} {
		res, err := http.Get(s.base + path)
		require.NoError(t, err)
		b, err := io.ReadAll(res.Body)
		res.Body.Close()
		require.NoError(t, err)
		require.Equal(t, http.StatusOK, res.StatusCode, path)
		for _, no := range []string{"[did_", "[mark_", "[need_", "[wait_", "map[", "%!"} {
			require.NotContains(t, string(b), no, path)
		}
	}
}
