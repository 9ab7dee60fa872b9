// Package attest puts a seal on a record, and says of a copy whether it is unaltered and whose book it is from.
//
// The seal is an Ed25519 signature (RFC 8032) over what the file is (its SHA-256 and length), which job book it came from, and where the chain of that
// book stood. The key is made at the first start and stays in the shed. What a seal can show: that the file is as the program wrote it, by the one
// who holds the key. What it cannot show: that the owner of book and key did not write the whole book anew before. A head of the chain that was
// sent out earlier, with an alert, is the witness against that: Verify takes one.
package attest

import (
	"bytes"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"tackline/daemon/durable"
)

// form is that of the statement.
const form = 1

// keyFile is where the key is kept, beside the databases.
const keyFile = "record.key"

// trailer begins the seal that stands after the end of a PDF, where readers look no further.
const trailer = "\n%cure-record-seal "

// Statement is what a seal says of a file.
type Statement struct {
	Form     int64  `json:"form"`
	SHA256   string `json:"sha256"`
	Bytes    int64  `json:"bytes"`
	Book     string `json:"book"`      // id of the job book
	HeadSeq  int64  `json:"head_seq"`  // newest row of its journal
	HeadHash string `json:"head_hash"` // and that row's hash, hex
	Job      int64  `json:"job"`
	Key      string `json:"key"` // the public key, base64
}

// Seal is a statement with its signature.
type Seal struct {
	Statement
	Signature string `json:"signature"` // base64
}

// Book is where a record came from.
type Book struct {
	ID       string
	HeadSeq  int64
	HeadHash []byte
}

// Signer holds the shed's key.
type Signer struct{ key ed25519.PrivateKey }

// OpenKey reads the key from the data folder, and makes it at the first start.
func OpenKey(folder string) (Signer, error) {
	path := filepath.Join(folder, keyFile)
	seed, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		seed = make([]byte, ed25519.SeedSize)
		_, _ = rand.Read(seed) // never fails
		if err := durable.WriteFile(path, seed, 0o600); err != nil {
			return Signer{}, fmt.Errorf("attest: make the key of the records: %w", err)
		}
	} else if err != nil {
		return Signer{}, fmt.Errorf("attest: key of the records: %w", err)
	}
	if len(seed) != ed25519.SeedSize {
		return Signer{}, fmt.Errorf("attest: %s has %d bytes, want %d: bring it back from a backup; without it older records can be checked but not tied to this shed",
			path, len(seed), ed25519.SeedSize)
	}
	return Signer{ed25519.NewKeyFromSeed(seed)}, nil
}

// Public gives the public key, base64.
func (s Signer) Public() string {
	return base64.StdEncoding.EncodeToString(s.key.Public().(ed25519.PublicKey))
}

// message is what is signed: a line that names its use, then the statement's JSON.
func (st Statement) message() ([]byte, error) {
	b, err := json.Marshal(st)
	return append([]byte("cure-record-seal 1\n"), b...), err
}

// Seal gives the seal of a file, one line of JSON.
func (s Signer) Seal(file []byte, job int64, b Book) ([]byte, error) {
	sum := sha256.Sum256(file)
	out := Seal{Statement: Statement{Form: form, SHA256: hex.EncodeToString(sum[:]), Bytes: int64(len(file)), Book: b.ID, HeadSeq: b.HeadSeq,
		HeadHash: hex.EncodeToString(b.HeadHash), Job: job, Key: s.Public()}}
	m, err := out.message()
	if err != nil {
		return nil, fmt.Errorf("attest: %w", err)
	}
	out.Signature = base64.StdEncoding.EncodeToString(ed25519.Sign(s.key, m))
	text, err := json.Marshal(out)
	if err != nil {
		return nil, fmt.Errorf("attest: %w", err)
	}
	return append(text, '\n'), nil
}

// SealPDF gives the PDF with its seal after its end.
func (s Signer) SealPDF(file []byte, job int64, b Book) ([]byte, error) {
	seal, err := s.Seal(file, job, b)
	if err != nil {
		return nil, err
	}
	return append(append(bytes.Clone(file), trailer...), seal...), nil
}

// Split takes a sealed PDF apart; ok is false where it has no seal after its end.
func Split(file []byte) (pdf, seal []byte, ok bool) {
	i := bytes.LastIndex(file, []byte(trailer))
	if i < 0 {
		return file, nil, false
	}
	return file[:i], file[i+len(trailer):], true
}

// Finding is what came of a check.
type Finding struct {
	Statement
	Unaltered bool // the file is as it was sealed
	Ours      bool // by the key of this shed
	SameBook  bool // of this job book, and its chain still has the row that the seal names
	Witness   string
	Problems  []string // sentences; none where all that was asked holds
}

// Against is what a check can be made against. Everything in it is optional.
type Against struct {
	Key    string                          // public key of this shed, base64
	Book   string                          // id of this job book
	HashAt func(seq int64) ([]byte, error) // hash of a row of this book's journal
	Head   string                          // "seq:hash", as an alert carried it
}

// Verify checks a file with its seal. The error is of a seal that cannot be read; whatever can be read and does not hold is a problem.
func Verify(file, seal []byte, a Against) (Finding, error) {
	var s Seal
	dec := json.NewDecoder(bytes.NewReader(seal))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&s); err != nil {
		return Finding{}, fmt.Errorf("attest: the seal cannot be read: %w", err)
	}
	if canonical, err := json.Marshal(s); err != nil || !bytes.Equal(append(canonical, '\n'), seal) {
		return Finding{}, errors.New("attest: the seal was written anew by something else: it cannot be relied on")
	}
	if s.Form != form {
		return Finding{}, fmt.Errorf("attest: the seal has form %d, this program knows %d: use the newer program", s.Form, form)
	}
	f := Finding{Statement: s.Statement}
	say := func(format string, args ...any) { f.Problems = append(f.Problems, fmt.Sprintf(format, args...)) }
	key, err1 := base64.StdEncoding.DecodeString(s.Key)
	signature, err2 := base64.StdEncoding.DecodeString(s.Signature)
	m, err3 := s.message()
	signed := err1 == nil && err2 == nil && err3 == nil && len(key) == ed25519.PublicKeySize && ed25519.Verify(key, m, signature)
	sum := sha256.Sum256(file)
	switch {
	case !signed:
		say("The signature does not fit the seal: seal or signature was changed.")
	case hex.EncodeToString(sum[:]) != s.SHA256 || int64(len(file)) != s.Bytes:
		say("The file is not as it was sealed: %d bytes with sum %.12s, sealed were %d with %.12s.", len(file), hex.EncodeToString(sum[:]), s.Bytes, s.SHA256)
	default:
		f.Unaltered = true
	}
	if a.Key != "" {
		if f.Ours = signed && s.Key == a.Key; !f.Ours {
			say("It was sealed by another key than this shed's.")
		}
	}
	if a.Book != "" {
		f.SameBook = s.Book == a.Book
		if !f.SameBook {
			say("It is of another job book.")
		}
	}
	if f.SameBook && a.HashAt != nil {
		hash, err := a.HashAt(s.HeadSeq)
		if err != nil || hex.EncodeToString(hash) != s.HeadHash {
			f.SameBook = false
			say("This job book no longer has the row %d that the record was made from: the book was written anew since, or is an older copy.", s.HeadSeq)
		}
	}
	if a.Head != "" {
		witness(&f, a, say)
	}
	return f, nil
}

// witness compares a head of the chain that was sent out earlier.
func witness(f *Finding, a Against, say func(string, ...any)) {
	var seq int64
	var want string
	if n, err := fmt.Sscanf(strings.Replace(a.Head, ":", " ", 1), "%d %64s", &seq, &want); n != 2 || err != nil || len(want) != 64 {
		say("The witness %q is no head of a chain: want its number, a colon and 64 digits, as an alert shows it.", a.Head)
		return
	}
	if a.HashAt == nil {
		say("A witness can be compared only where the job book is: run this in the shed.")
		return
	}
	hash, err := a.HashAt(seq)
	if err != nil || hex.EncodeToString(hash) != strings.ToLower(want) {
		say("The job book does not have the row %d that was sent out: it was written anew since.", seq)
		return
	}
	f.Witness = fmt.Sprintf("The row %d that was sent out is in the book: whatever the book says up to there was not rewritten since.", seq)
}
