package access

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"tackline/daemon/durable"
)

// What a phone may do.
const (
	MayRead  = "read"
	MayWrite = "write"
	MayAdmin = "admin" // pairs and revokes too
)

const (
	// CodeFor is how long a pairing code is good.
	CodeFor = 10 * time.Minute
	// MostPhones is how many phones are kept.
	MostPhones = 100

	mostCodes  = 20             // that are open at once
	codeLength = 12             // letters of five bits
	seenEvery  = 24 * time.Hour // how often the last use of a phone goes to the card
	nameLength = 40
)

// alphabet has no letters that are taken for others: no I, L, O, U.
const alphabet = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"

var (
	// ErrCode is wrapped for a code that is unknown, used or too old.
	ErrCode = errors.New("access: this code is used, too old or mistyped")
	// ErrNoPhone is wrapped for a phone that is not paired.
	ErrNoPhone = errors.New("access: no such phone")
)

// Phone is a paired phone.
type Phone struct {
	ID     int64  `json:"id"`
	Name   string `json:"name"`          // at most 40 letters
	Person int64  `json:"person"`        // number in the job book, 0 for nobody
	May    string `json:"may"`           // one of the May constants
	Paired int64  `json:"paired_ms"`     // Unix ms; 0 while the clock was unset
	Seen   int64  `json:"seen_ms"`       // last use, Unix ms; 0 not yet under a clock that was set
	Sum    string `json:"sha256"`        // of the token, hexadecimal
	Via    string `json:"via,omitempty"` // who let it in: a person's name, or "the board"
}

// Offer is what a code will give.
type Offer struct {
	Phone  string // suggested name, "" for none
	Person int64  // 0: whoever pairs says who she is
	May    string
	Via    string
}

// Phones are the paired phones of a shed. Its methods may be called from many goroutines at once.
type Phones struct {
	path   string
	now    func() (at time.Time, trusted bool)
	forget time.Duration

	mu    sync.Mutex
	list  []Phone
	next  int64
	kept  map[int64]int64 // Seen as it is on the disk
	codes map[[sha256.Size]byte]code
}

type code struct {
	offer Offer
	made  time.Time // with its monotonic part
}

type phonesFile struct {
	Form   int64   `json:"form"`
	Next   int64   `json:"next"`
	Phones []Phone `json:"phones"`
}

// OpenPhones reads the phones in a file; none where it is missing. now gives the wall's time and whether it is known to be right: without that
// no phone is forgotten for not being used. forget is after how long without use a phone has to be paired anew. A file that can't be understood
// is set aside, and then aside names it: all phones have to be paired anew.
func OpenPhones(path string, forget time.Duration, now func() (time.Time, bool)) (p *Phones, aside string, err error) {
	p = &Phones{path: path, now: now, forget: forget, next: 1, kept: map[int64]int64{}, codes: map[[sha256.Size]byte]code{}}
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return p, "", nil
	}
	if err != nil {
		return nil, "", fmt.Errorf("access: paired phones: %w", err)
	}
	var f phonesFile
	if err := json.Unmarshal(b, &f); err != nil || f.Form != 1 {
		aside = path + ".damaged"
		if err := os.Rename(path, aside); err != nil {
			return nil, "", fmt.Errorf("access: paired phones: %w", err)
		}
		return p, aside, nil
	}
	p.list, p.next = f.Phones, max(f.Next, 1)
	for _, ph := range p.list {
		p.kept[ph.ID], p.next = ph.Seen, max(p.next, ph.ID+1)
	}
	return p, "", nil
}

// Offer makes a code that pairs one phone. The error says what is wrong with the offer.
func (p *Phones) Offer(o Offer) (string, error) {
	if o.May == "" {
		o.May = MayWrite
	}
	if !slices.Contains([]string{MayRead, MayWrite, MayAdmin}, o.May) {
		return "", fmt.Errorf("access: %q is nothing that a phone may: want read, write or admin", o.May)
	}
	if err := checkName(o.Phone); o.Phone != "" && err != nil {
		return "", err
	}
	var raw [codeLength]byte
	_, _ = rand.Read(raw[:]) // never fails
	text := make([]byte, codeLength)
	for i, b := range raw {
		text[i] = alphabet[b&31]
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.sweep()
	if len(p.codes) >= mostCodes {
		return "", fmt.Errorf("access: %d codes are open: use one, or wait until they are too old", mostCodes)
	}
	p.codes[sha256.Sum256(text)] = code{offer: o, made: time.Now()}
	return string(text), nil
}

// sweep forgets codes that are too old. The caller holds mu.
func (p *Phones) sweep() {
	for sum, c := range p.codes {
		if time.Since(c.made) >= CodeFor {
			delete(p.codes, sum)
		}
	}
}

// Normal gives a code as it was made from one as people type it: small letters, blanks and hyphens, O for 0, I and L for 1.
func Normal(text string) string {
	return strings.Map(func(r rune) rune {
		switch r = unicode.ToUpper(r); r {
		case ' ', '-':
			return -1
		case 'O':
			return '0'
		case 'I', 'L':
			return '1'
		}
		return r
	}, text)
}

// Look gives what a code will give, and uses nothing up. The error wraps ErrCode.
func (p *Phones) Look(text string) (Offer, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.sweep()
	c, ok := p.codes[sha256.Sum256([]byte(Normal(text)))]
	if !ok {
		return Offer{}, ErrCode
	}
	return c.offer, nil
}

// Pair uses a code up and gives a new phone with its token, which is told this once. A phone that had been paired under the token old is replaced.
// After an error other than one that wraps ErrCode the code is still good.
func (p *Phones) Pair(text, name string, person int64, old string) (Phone, string, error) {
	name = strings.TrimSpace(name)
	if err := checkName(name); err != nil {
		return Phone{}, "", err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.sweep()
	sum := sha256.Sum256([]byte(Normal(text)))
	c, ok := p.codes[sum]
	if !ok {
		return Phone{}, "", ErrCode
	}
	list := slices.Clone(p.list)
	if i := p.find(old); i >= 0 {
		list = slices.Delete(list, i, i+1)
	}
	if len(list) >= MostPhones {
		return Phone{}, "", fmt.Errorf("access: %d phones are paired: revoke one first", MostPhones)
	}
	var raw [32]byte
	_, _ = rand.Read(raw[:]) // never fails
	token := base64.RawURLEncoding.EncodeToString(raw[:])
	ph := Phone{ID: p.next, Name: name, Person: person, May: c.offer.May, Sum: sumOf(token), Via: c.offer.Via}
	if c.offer.Person != 0 {
		ph.Person = c.offer.Person
	}
	if at, trusted := p.now(); trusted {
		ph.Paired, ph.Seen = at.UnixMilli(), at.UnixMilli()
	}
	if err := p.keep(append(list, ph), p.next+1); err != nil {
		return Phone{}, "", err
	}
	delete(p.codes, sum)
	return ph, token, nil
}

// keep writes the list and takes it over. The caller holds mu.
func (p *Phones) keep(list []Phone, next int64) error {
	b, err := json.MarshalIndent(phonesFile{Form: 1, Next: next, Phones: list}, "", " ")
	if err != nil {
		return fmt.Errorf("access: paired phones: %w", err)
	}
	if err := durable.WriteFile(p.path, append(b, '\n'), 0o600); err != nil {
		return fmt.Errorf("access: paired phones: %w", err)
	}
	p.list, p.next = list, next
	clear(p.kept)
	for _, ph := range list {
		p.kept[ph.ID] = ph.Seen
	}
	return nil
}

func sumOf(token string) string {
	sum := sha256.Sum256([]byte(token))
	return hex.EncodeToString(sum[:])
}

// find gives the place of a token's phone, -1 for none, in a time that does not depend on which it is. The caller holds mu.
func (p *Phones) find(token string) int {
	if token == "" {
		return -1
	}
	sum, at := []byte(sumOf(token)), -1
	for i := range p.list {
		if subtle.ConstantTimeCompare(sum, []byte(p.list[i].Sum)) == 1 {
			at = i
		}
	}
	return at
}

// Of gives the phone of a token and notes that it was used; ok is false for one that is not paired, was revoked or was not used for too long.
// again is true once in a while: then the phone's cookie should be given a new end.
func (p *Phones) Of(token string) (ph Phone, again, ok bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	i := p.find(token)
	if i < 0 {
		return Phone{}, false, false
	}
	at, trusted := p.now()
	if !trusted {
		return p.list[i], false, true
	}
	now := at.UnixMilli()
	if seen := p.list[i].Seen; seen != 0 && now-seen >= p.forget.Milliseconds() {
		p.list = slices.Delete(slices.Clone(p.list), i, i+1)
		_ = p.keep(p.list, p.next) // where it can't be written it is refused all the same
		return Phone{}, false, false
	}
	p.list[i].Seen = now
	if again = now-p.kept[p.list[i].ID] >= seenEvery.Milliseconds() || p.kept[p.list[i].ID] == 0; again {
		_ = p.keep(slices.Clone(p.list), p.next) // the next use tries again
	}
	return p.list[i], again, true
}

// List gives the phones in the order in which they were paired.
func (p *Phones) List() []Phone {
	p.mu.Lock()
	defer p.mu.Unlock()
	return slices.Clone(p.list)
}

// Revoke takes a phone's rights away, at once. The error wraps ErrNoPhone for one that is not paired. After any other error the rights are gone
// until the next start, and could not be taken away on the disk.
func (p *Phones) Revoke(id int64) (Phone, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	i := slices.IndexFunc(p.list, func(ph Phone) bool { return ph.ID == id })
	if i < 0 {
		return Phone{}, fmt.Errorf("%w: %d", ErrNoPhone, id)
	}
	gone, left := p.list[i], slices.Delete(slices.Clone(p.list), i, i+1)
	p.list = left
	return gone, p.keep(left, p.next)
}

// checkName wants a name that can be told in a list.
func checkName(name string) error {
	n := utf8.RuneCountInString(name)
	if n == 0 || n > nameLength || !utf8.ValidString(name) || strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return fmt.Errorf("access: %q is no name of a phone: want 1 to %d letters", name, nameLength)
	}
	return nil
}
