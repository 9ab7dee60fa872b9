package sequence

import "strings"

// deedWords gives each deed the word in which it is said once it is done.
var deedWords = []struct {
	word string
	work Work
}{
	{"washed", Wash}, {"scuffed", Scuff}, {"abraded", Abrade}, {"fabric laid", LayFabric}, {"peel ply on", PeelPlyOn}, {"peel ply off", PeelPlyOff},
	{"clamps off", ClampsOff}, {"warmed", WarmUp}, {"weave full", WeaveFull}, {"inspected", Inspect},
}

// DeedWords lists the words in which a deed is said once it is done: washed, scuffed, abraded and so on.
func DeedWords() []string {
	out := make([]string, len(deedWords))
	for i, d := range deedWords {
		out[i] = d.word
	}
	return out
}

// DeedOf gives the deed that a word says: the word for what is done, or the work itself. Case does not matter, a hyphen stands for a blank.
// ok is false for a coat and for a word that is neither.
func DeedOf(word string) (w Work, ok bool) {
	plain := strings.ToLower(strings.TrimSpace(strings.ReplaceAll(word, "-", " ")))
	for _, d := range deedWords {
		if plain == d.word || plain == strings.ReplaceAll(string(d.work), "-", " ") {
			return d.work, true
		}
	}
	if plain == string(FurtherFabric) {
		return FurtherFabric, true
	}
	return "", false
}

// Past gives the word for a work that is done: "washed" for a wash, the work itself for a coat.
func (w Work) Past() string {
	for _, d := range deedWords {
		if d.work == w {
			return d.word
		}
	}
	return string(w)
}
