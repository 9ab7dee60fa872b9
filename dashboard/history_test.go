package dashboard

import (
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestHistory: any range by links and by date, the days without power in figures, coats drawn in, a wrong date said, an empty time said.
func TestHistory(t *testing.T) {
	h := handler(t, newFake(scene()), nil)
	body := get(h, "/history?days=31").Body.String()
	require.Contains(t, body, "bench: 6.0 to 18.5 C.")
	require.Contains(t, body, "dew point")
	require.Contains(t, body, "36 h 00 min", "the time without readings")
	require.Contains(t, body, `href="/history?days=180"`)
	require.NotContains(t, body, "Barometer", "nothing was measured of it")
	w := get(h, "/history?from=2026-13-01")
	require.Equal(t, http.StatusUnprocessableEntity, w.Code)
	require.Contains(t, w.Body.String(), "a date such as")
	body = get(h, "/history?days=7&from=2026-01-01").Body.String()
	require.Contains(t, body, "1 Jan 2026 00:00 to 8 Jan 2026 00:00")
	require.Contains(t, body, `href="/history?days=7&amp;from=2025-12-25"`)
	require.Contains(t, body, `href="/history?days=7&amp;from=2026-01-08"`)

	empty := scene()
	empty.Probes = empty.Probes[1:]
	require.Contains(t, get(handler(t, newFake(empty), nil), "/history").Body.String(), "Nothing was measured in this time.")
}

func BenchmarkHistoryPage(b *testing.B) {
	f := newFake(scene())
	h, err := New(Options{Source: f})
	if err != nil {
		b.Fatal(err)
	}
	defer h.Close()
	for b.Loop() {
		if w := get(h, "/history?days=180"); w.Code != http.StatusOK {
			b.Fatal(w.Code)
		}
	}
}
