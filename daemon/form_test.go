package daemon

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
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

	facts, err := s.d.book.State(t.Context())
	require.NoError(t, err)
	count := map[string]int{}
	for _, j := range facts.Jobs {
		count[j.Name]++
	}
	require.Equal(t, 1, count["Sandpiper's dinghy"])
	require.Equal(t, 1, count["Second dinghy"])
}
