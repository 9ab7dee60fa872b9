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
		{"edit-piece", "piece=2&name=deck&thickness_mm=0.25&in.thickness_mm=in&area_m2=65ft2&in.area_m2=ft%C2%B2&density_kg_m3=500", `{"piece":2,"name":"deck","thickness_mm":6.35,"area_m2":6.0386976,"density_kg_m3":500}`},
		{"start-batch", "system=medium&mass_g=8%2C8&in.mass_g=oz&resin_c=18C&in.resin_c=F&vessel=pot", `{"system":"medium","mass_g":249.475804,"resin_c":18,"vessel":"pot"}`},
		{"set-steps", "piece=3&saw_rev=1&steps.0.work=wet-out&steps.0.fabric_g_m2=6&in.steps.0.fabric_g_m2=oz%2Fyd%C2%B2", `{"piece":3,"saw_rev":1,"steps":[{"work":"wet-out","fabric_g_m2":203.434485}]}`},
		{"add-stock", "name=drum&what=resin&amount=85&unit=oz", `{"name":"drum","what":"resin","amount":2409.70947,"unit":"g"}`},
		{"edit-stock", "stock=4&saw_rev=1&name=twill&what=fabric&left=60&unit=ft&width_m=50in", `{"stock":4,"saw_rev":1,"name":"twill","what":"fabric","left":18.288,"unit":"m","width_m":1.27}`},
		{"use-stock", "stock=4&amount=2&unit=oz", `{"stock":4,"amount":56.6990463}`},
		{"use-stock", "stock=4&amount=1,250&unit=g&decimal=comma", `{"stock":4,"amount":1.25}`},
		{"set-limit", "name=margin_k&unit=K&value=5.4&in.value=F&source=own", `{"name":"margin_k","unit":"K","value":3,"source":"own"}`},
		{"hand-reading", "quantity=temp_c&value=64.4&in.value=F&place=air", `{"quantity":"temp_c","value":18,"place":"air"}`},
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
	_, err = FromForm("use-stock", url.Values{"amount": {"1,250"}, "unit": {"g"}}, zone)
	require.ErrorContains(t, err, "two ways")
	_, err = FromForm("use-stock", url.Values{"amount": {"2 kg"}, "unit": {"each"}}, zone)
	require.ErrorContains(t, err, "a bare number is each")
	_, err = FromForm("mend", url.Values{}, zone)
	require.ErrorContains(t, err, "unknown kind")
}
