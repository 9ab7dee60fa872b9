package record

import (
	"bytes"
	"compress/gzip"
	"embed"
	"fmt"
	"io"

	// The module whose fonts these are: named here, so that the program's list of modules names it. Its own copies, unpacked, are not linked.
	_ "codeberg.org/go-fonts/liberation/liberationsansbold"
	_ "codeberg.org/go-fonts/liberation/liberationsansregular"
)

// packedFonts are Liberation Sans (SIL Open Font License 1.1, fonts/LICENSE-SIL), packed: half the room. TestFontsAreTheModules writes them.
//
//go:embed fonts/*.gz
var packedFonts embed.FS

// unpack gives a font, regular or bold, as the PDF library takes it.
func unpack(name string) []byte {
	b, err := packedFonts.ReadFile("fonts/" + name + ".ttf.gz")
	if err == nil {
		var z *gzip.Reader
		if z, err = gzip.NewReader(bytes.NewReader(b)); err == nil {
			b, err = io.ReadAll(z)
		}
	}
	if err != nil {
		panic(fmt.Sprintf("record: font %s: %v", name, err)) // it is in the program, and a test reads it
	}
	return b
}
