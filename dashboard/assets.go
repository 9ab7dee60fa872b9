package dashboard

import (
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"net/http"
	"path"
	"strings"
)

//go:embed static
var staticFiles embed.FS

// asset is a file of the page: packed once, named by its content, so that a phone asks for it once and never keeps an old one.
type asset struct {
	kind   string
	plain  []byte
	packed []byte
	tag    string
}

func loadAssets() (map[string]asset, error) {
	kinds := map[string]string{".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml", ".png": "image/png", ".webmanifest": "application/manifest+json"}
	entries, err := staticFiles.ReadDir("static")
	if err != nil {
		return nil, fmt.Errorf("dashboard: static files: %w", err)
	}
	z, err := gzip.NewWriterLevel(nil, gzip.BestCompression)
	if err != nil {
		return nil, fmt.Errorf("dashboard: static files: %w", err)
	}
	out := make(map[string]asset, len(entries))
	for _, e := range entries {
		b, err := staticFiles.ReadFile("static/" + e.Name())
		if err != nil {
			return nil, fmt.Errorf("dashboard: static files: %w", err)
		}
		kind, ok := kinds[path.Ext(e.Name())]
		if !ok {
			return nil, fmt.Errorf("dashboard: static file %s: no content type for it", e.Name())
		}
		sum := sha256.Sum256(b)
		out[e.Name()] = asset{kind: kind, plain: b, packed: pack(z, b), tag: hex.EncodeToString(sum[:6])}
	}
	return out, nil
}

// assetURL gives the address of a static file, which changes with its content.
func (h *Handler) assetURL(name string) string { return "/static/" + name + "?v=" + h.static[name].tag }

func (h *Handler) getStatic(w http.ResponseWriter, r *http.Request) {
	a, ok := h.static[r.PathValue("name")]
	if !ok {
		h.getNothing(w, r)
		return
	}
	head := w.Header()
	head.Set("ETag", `"`+a.tag+`"`)
	head.Set("Cache-Control", "no-cache")
	if r.URL.Query().Get("v") == a.tag {
		head.Set("Cache-Control", "public, max-age=31536000, immutable")
	}
	head.Add("Vary", "Accept-Encoding")
	if strings.Contains(r.Header.Get("If-None-Match"), `"`+a.tag+`"`) {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	head.Set("Content-Type", a.kind)
	body := a.plain
	if strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		head.Set("Content-Encoding", "gzip")
		body = a.packed
	}
	_, _ = w.Write(body)
}
