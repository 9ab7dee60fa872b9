package wire

import (
	"encoding/json"
	"errors"
	"net/url"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/daemon/jobbook"
)

// FuzzDecode reads bodies of commands: whatever comes is a command that can be written down and read again the same, or a refusal that names its fields.
func FuzzDecode(f *testing.F) {
	kinds := jobbook.Kinds()
	for i := range kinds {
		f.Add(uint8(i), []byte(`{"name":"Sandpiper","piece":1,"when":"2026-01-14T07:30:00Z","note":null,"mass_g":250,"steps":[{"work":"coat"}]}`))
	}
	f.Add(uint8(0), []byte(`{"when":-1e400}`))
	f.Add(uint8(0), []byte(`[]`))
	f.Fuzz(func(t *testing.T, kind uint8, body []byte) {
		name := kinds[int(kind)%len(kinds)]
		p, err := Decode(name, body)
		if err != nil {
			var bad *jobbook.Invalid
			require.True(t, errors.As(err, &bad), "%s: %v", name, err)
			return
		}
		kept, err := json.Marshal(p)
		require.NoError(t, err)
		again, err := jobbook.Decode(name, kept)
		require.NoError(t, err, "%s", kept)
		twice, err := json.Marshal(again)
		require.NoError(t, err)
		require.Equal(t, string(kept), string(twice))
	})
}

// FuzzFromForm reads forms: what comes out is JSON that Decode takes or refuses by field.
func FuzzFromForm(f *testing.F) {
	kinds := jobbook.Kinds()
	zone := time.FixedZone("", 3600)
	for i := range kinds {
		f.Add(uint8(i), "name=Sandpiper&piece=1&when=2026-01-14T08:30&mass_g=250,5&new_batch.mass_g=12&steps.0.work=coat&steps.1.work=&days=1&days=2")
	}
	f.Fuzz(func(t *testing.T, kind uint8, query string) {
		values, err := url.ParseQuery(query)
		if err != nil {
			return
		}
		name := kinds[int(kind)%len(kinds)]
		raw, err := FromForm(name, values, zone)
		var bad *jobbook.Invalid
		if err != nil {
			require.True(t, errors.As(err, &bad), "%s: %v", name, err)
			return
		}
		require.True(t, json.Valid(raw))
		if _, err := Decode(name, raw); err != nil {
			require.True(t, errors.As(err, &bad), "%s: %v", name, err)
		}
	})
}
