package wire

import (
	"encoding/json"
	"reflect"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/daemon/jobbook"
)

func TestTimesAreThoseOfRFC3339(t *testing.T) {
	b, err := Encode(jobbook.Batch{Head: jobbook.Head{ID: 4, Entered: 1768392000123}, BatchData: jobbook.BatchData{SystemName: "medium", System: json.RawMessage(`{"a": 1}`)},
		Mixed: jobbook.When{MS: 1768392000000, Boot: "b"}, Moves: []jobbook.Move{{When: jobbook.When{MS: 1768392060000}, Vessel: "tray"}}})
	require.NoError(t, err)
	require.JSONEq(t, `{"id":4,"rev":0,"seq":0,"who":"","entered":"2026-01-14T12:00:00.123Z","boot":"","unset":false,"withdrawn":0,"system":"medium","system_json":{"a":1},"mass_g":0,"strokes":0,
		"resin_c":null,"vessel":"","diameter_mm":0,"tray_cm2":0,"lots":[],"note":"","mixed":"2026-01-14T12:00:00Z","mixed_sure":false,
		"moves":[{"when":"2026-01-14T12:01:00Z","when_sure":true,"vessel":"tray","diameter_mm":0,"tray_cm2":0}],"ended":null,"ended_sure":false,"how":""}`, string(b))
	b, err = Encode([]jobbook.FieldChange{{Field: "ended", Before: json.RawMessage(`{"ms":0}`), After: json.RawMessage(`{"ms":1768392000000}`)},
		{Field: "opened_ms", Before: nil, After: json.RawMessage(`1768392000000`)}, {Field: "offset_ms", Before: json.RawMessage(`1`), After: json.RawMessage(`2`)}})
	require.NoError(t, err)
	require.JSONEq(t, `[{"field":"ended","before":null,"after":"2026-01-14T12:00:00Z"},{"field":"opened","before":null,"after":"2026-01-14T12:00:00Z"},
		{"field":"offset_ms","before":1,"after":2}]`, string(b))
}

// Every field of every command comes through: what the API's names carry is what the journal's would.
func TestCommandsComeThroughWhole(t *testing.T) {
	for _, kind := range jobbook.Kinds() {
		empty, err := jobbook.Decode(kind, []byte("{}"))
		require.NoError(t, err)
		sent, kept := map[string]any{}, map[string]any{}
		for _, f := range fieldsOf(reflect.TypeOf(empty), false) {
			if f.form == millis {
				sent[f.name], kept[f.kept] = "2026-01-14T13:00:00+01:00", 1768392000000
				require.NotEqual(t, f.name, f.kept)
				require.Equal(t, f.name, FieldName(kind, f.kept))
			}
		}
		a, err := json.Marshal(sent)
		require.NoError(t, err)
		b, err := json.Marshal(kept)
		require.NoError(t, err)
		got, err := Decode(kind, a)
		require.NoError(t, err, kind)
		want, err := jobbook.Decode(kind, b)
		require.NoError(t, err)
		require.Equal(t, want, got, kind)
		same, err := Decode(kind, b)
		require.NoError(t, err)
		require.Equal(t, want, same, "the journal's own names are read too")
	}
}

func TestBadCommandsNameTheirFields(t *testing.T) {
	for _, c := range []struct{ kind, body, field, says string }{
		{"touch", `{"coat":1,"state":"wet","when":"noon"}`, "when", "RFC 3339"},
		{"touch", `{"coat":1,"state":"wet","when":12}`, "when", "RFC 3339"},
		{"touch", `{"coat":"one"}`, "coat", "does not fit"},
		{"touch", `{"cote":1}`, "cote", "there are coat"},
		{"touch", `[]`, "payload", "no JSON object"},
		{"touch", `null`, "payload", "no JSON object"},
		{"mend", `{}`, "payload", "unknown kind"},
		{"begin-book", `{}`, "kind", "daemon alone"},
	} {
		_, err := Decode(c.kind, []byte(c.body))
		var invalid *jobbook.Invalid
		require.ErrorAs(t, err, &invalid, c.body)
		require.Equal(t, c.field, invalid.Fields[0].Field, c.body)
		require.Contains(t, invalid.Fields[0].Problem, c.says, c.body)
	}
	p, err := Decode("touch", []byte(`{"coat":1,"state":"wet","when":null}`))
	require.NoError(t, err)
	require.Zero(t, p.(jobbook.Touch).When)
}
