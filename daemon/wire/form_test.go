package wire

import (
	"encoding/json"
	"net/url"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/jobbook"
)

func TestFormsBecomeCommands(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Helsinki")
	require.NoError(t, err)
	for _, c := range []struct{ kind, form, want string }{
		{"add-job", "name=Sandpiper&boat=&begins=2026-01-14", `{"name":"Sandpiper","begins":"2026-01-13T22:00:00Z"}`},
		{"add-piece", "job=2&name=foredeck&thickness_mm=6%2C5&lie=flat&bare=on&faces=1", `{"job":2,"name":"foredeck","thickness_mm":6.5,"lie":"flat","bare":true,"faces":1}`},
		{"add-person", "name=Wren&start_min=08:30&end_min=24:00&days=1&days=5&days_off=2026-12-24,+2026-12-25",
			`{"name":"Wren","start_min":510,"end_min":1440,"days":[false,true,false,false,false,true,false],"days_off":["2026-12-24","2026-12-25"]}`},
		{"start-coat", "piece=3&kind=seal&system=medium&new_batch.mass_g=250&new_batch.vessel=pot&when=2026-01-14T14:06", `{"piece":3,"kind":"seal","system":"medium","new_batch":{"mass_g":250,"vessel":"pot"},"when":"2026-01-14T12:06:00Z"}`},
		{"set-steps", "piece=3&saw_rev=1&steps.1.work=fill&steps.1.wait=recoat+window&steps.1.until_full=1&steps.0.work=seal&steps.0.wait=nothing&steps.2.work=",
			`{"piece":3,"saw_rev":1,"steps":[{"work":"seal","wait":"nothing"},{"work":"fill","wait":"recoat window","until_full":true}]}`},
		{"set-steps", "piece=3&saw_rev=1&steps=", `{"piece":3,"saw_rev":1,"steps":[]}`},
		{"start-batch", "system=medium&mass_g=100&vessel=tray&lots=4&lots=7", `{"system":"medium","mass_g":100,"vessel":"tray","lots":[4,7]}`},
	} {
		values, err := url.ParseQuery(c.form)
		require.NoError(t, err)
		got, err := FromForm(c.kind, values, zone)
		require.NoError(t, err, c.form)
		require.JSONEq(t, c.want, string(got), c.form)
		_, err = Decode(c.kind, got)
		require.NoError(t, err, c.form)
	}
}

// A form can fill every field of every command, and what it fills is of the command's own type.
func TestFormsReachEveryField(t *testing.T) {
	for _, kind := range jobbook.Kinds() {
		empty, err := jobbook.Decode(kind, []byte("{}"))
		require.NoError(t, err)
		for _, f := range fieldsOf(typeOf(empty), false) {
			if f.typ.Kind().String() == "struct" || f.typ.Kind().String() == "slice" || f.typ.Kind().String() == "ptr" || f.typ.Kind().String() == "map" {
				continue
			}
			value := map[string]string{"string": "x", "int64": "7", "float64": "1,5", "bool": "1", "array": "1"}[f.typ.Kind().String()]
			if f.form == millis {
				value = "2026-01-14T14:06"
			}
			got, err := FromForm(kind, url.Values{f.name: {value}}, time.UTC)
			require.NoError(t, err, "%s of %s", f.name, kind)
			var out map[string]any
			require.NoError(t, json.Unmarshal(got, &out))
			require.NotNil(t, out[f.name], "%s of %s", f.name, kind)
		}
	}
}

func TestBadFormsNameAllTheirFields(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Helsinki")
	require.NoError(t, err)
	_, err = FromForm("add-piece", url.Values{"job": {"two"}, "thickness_mm": {"thick"}, "bare": {"perhaps"}, "hue": {"1"}}, zone)
	var invalid *jobbook.Invalid
	require.ErrorAs(t, err, &invalid)
	require.Len(t, invalid.Fields, 4)
	_, err = FromForm("touch", url.Values{"when": {"2026-03-29T03:30"}}, zone)
	require.ErrorContains(t, err, "put forward")
	_, err = FromForm("touch", url.Values{"when": {"noon"}}, zone)
	require.ErrorContains(t, err, "is no time")
	_, err = FromForm("mend", url.Values{}, zone)
	require.ErrorContains(t, err, "unknown kind")
}
