package access

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"strings"

	"tackline/daemon/durable"
)

// KeyFile is the name of the key of the board itself, in the data folder.
const KeyFile = "local.key"

// Key proves that a request is made by someone who may read the data folder.
type Key struct{ sum [sha256.Size]byte }

// OpenKey reads the key in a file, and makes it where there is none.
func OpenKey(path string) (Key, error) {
	b, err := os.ReadFile(path)
	if text := strings.TrimSpace(string(b)); err == nil && len(text) >= 32 {
		return Key{sha256.Sum256([]byte(text))}, nil
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return Key{}, fmt.Errorf("access: key of the board: %w", err)
	}
	var raw [32]byte
	_, _ = rand.Read(raw[:]) // never fails
	text := hex.EncodeToString(raw[:])
	if err := durable.WriteFile(path, []byte(text+"\n"), 0o600); err != nil {
		return Key{}, fmt.Errorf("access: key of the board: %w", err)
	}
	return Key{sha256.Sum256([]byte(text))}, nil
}

// Opens tells whether a request carries the key, as Authorization: Bearer.
func (k Key) Opens(r *http.Request) bool {
	given, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	sum := sha256.Sum256([]byte(given))
	return subtle.ConstantTimeCompare(sum[:], k.sum[:]) == 1 && ok
}
