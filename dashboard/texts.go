package dashboard

import (
	"embed"
	"encoding/json"
	"fmt"
)

//go:embed texts/en.json
var textFiles embed.FS

// texts is the catalogue: every word that the page says, by key. Other languages are other files of the same keys.
type texts map[string]string

// loadTexts reads the catalogue of a language.
func loadTexts(language string) (texts, error) {
	b, err := textFiles.ReadFile("texts/" + language + ".json")
	if err != nil {
		return nil, fmt.Errorf("dashboard: no texts in language %q", language)
	}
	var t texts
	if err := json.Unmarshal(b, &t); err != nil {
		return nil, fmt.Errorf("dashboard: texts of %q: %w", language, err)
	}
	return t, nil
}

// get gives the text of a key, with its arguments in place. A key that is missing shows itself, so that it is seen and not hidden.
func (t texts) get(key string, args ...any) string {
	s, ok := t[key]
	if !ok {
		return "[" + key + "]"
	}
	if len(args) == 0 {
		return s
	}
	return fmt.Sprintf(s, args...)
}
