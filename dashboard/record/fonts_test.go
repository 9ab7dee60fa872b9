package record

import (
	"bytes"
	"compress/gzip"
	"os"
	"testing"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"github.com/stretchr/testify/require"
)

// TestFontsAreTheModules holds the packed fonts against those of the module; -update packs them anew.
func TestFontsAreTheModules(t *testing.T) {
	for name, ttf := range map[string][]byte{"regular": liberationsansregular.TTF, "bold": liberationsansbold.TTF} {
		if *update {
			var b bytes.Buffer
			z, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
			require.NoError(t, err)
			_, err = z.Write(ttf)
			require.NoError(t, err)
			require.NoError(t, z.Close())
			require.NoError(t, os.WriteFile("fonts/"+name+".ttf.gz", b.Bytes(), 0o644))
		}
		require.True(t, bytes.Equal(ttf, unpack(name)), "fonts/%s.ttf.gz is not the module's font: go test ./dashboard/record -run Fonts -update, then once more", name)
	}
}
