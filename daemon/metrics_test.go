package daemon

import (
	"net/http"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"
	"github.com/stretchr/testify/require"
)

// TestMetrics holds what /metrics says against Prometheus' own parser (github.com/prometheus/common) and its naming practice, and sees that a probe
// that is stale has no value while the time of its last reading stays.
func TestMetrics(t *testing.T) {
	d := still(t, "[[probe]]\nname = \"keel \\\"cold\\\" \\\\\"\nkind = \"shed\"\nplace = \"surface\"\n")
	d.poller.Step(t.Context(), d.clock.Now())
	text := func() string {
		w := press(d, http.MethodGet, "/metrics", nil)
		require.Equal(t, http.StatusOK, w.Code)
		require.Equal(t, "text/plain; version=0.0.4; charset=utf-8", w.Header().Get("Content-Type"))
		return w.Body.String()
	}
	parser := expfmt.NewTextParser(model.LegacyValidation)
	families, err := parser.TextToMetricFamilies(strings.NewReader(text()))
	require.NoError(t, err)
	name := regexp.MustCompile(`^tackline_[a-z]+(_[a-z]+)*$`)
	base := regexp.MustCompile(`_(celsius|ratio|pascals|kelvin|seconds|bytes|total|info|synchronized|readings|errors|pending|attempts|failing)$`)
	for n, f := range families {
		require.Regexp(t, name, n)
		require.Regexp(t, base, n)
		require.Equal(t, f.GetType().String() == "COUNTER", strings.HasSuffix(n, "_total"), n)
		require.NotEmpty(t, f.GetHelp())
	}
	temperatures := families["tackline_probe_temperature_celsius"].GetMetric()
	require.Len(t, temperatures, 2)
	require.Equal(t, `keel "cold" \`, temperatures[1].GetLabel()[0].GetValue())
	rh := families["tackline_probe_relative_humidity_ratio"].GetMetric()[0].GetGauge().GetValue()
	require.Greater(t, rh, 0.2)
	require.Less(t, rh, 1.0)
	require.Contains(t, families, "tackline_probe_last_reading_timestamp_seconds")

	e := &exposition{families: map[string]*family{}}
	for i, p := range d.poller.States() {
		d.probeMetrics(e, p, d.clock.Now().Wall+(2*time.Hour).Milliseconds(), d.o.Config.Probes[i].StaleAfter)
	}
	require.NotContains(t, e.String(), "_celsius{")
	require.Contains(t, e.String(), "tackline_probe_last_reading_timestamp_seconds{")
}
