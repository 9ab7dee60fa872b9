package pack

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"tackline/daemon/jobbook"
	"tackline/dashboard/record"
)

// What a pack may have at most: nothing that claims more is unpacked.
const (
	mostFiles = 20_000
	mostFile  = 256 << 20 // bytes of one file, unpacked
	mostAll   = 2 << 30   // bytes of all, unpacked
	mostPhoto = jobbook.MostPhotoBytes
)

// ErrNoPack says that a file is no pack, or not a whole one.
var ErrNoPack = errors.New("pack: no whole pack")

var (
	knownName = regexp.MustCompile(`^(README\.txt|manifest\.json(\.sig)?|facts\.json|computed\.json|journal\.jsonl|record\.(html|csv|json)(\.sig)?|record-(a4|letter)\.pdf|` +
		`coats/[1-9][0-9]{0,18}/(system|advice|probes|limits)\.json|coats/[1-9][0-9]{0,18}/trace\.minutes|photos/[1-9][0-9]{0,18}\.(jpg|png))$`)
	photoName = regexp.MustCompile(`^photos/`)
)

// Pack is an archive that was opened. Nothing in it was written anywhere.
type Pack struct {
	Manifest Manifest
	Job      record.Job
	Journal  []jobbook.Entry
	computed []Computed
	files    map[string][]byte // all but the photos, which are checked and let go
}

// Open reads a pack: every file is held against the manifest, the journal is followed, and what was frozen and photographed is held against the digests
// in the journal. The error wraps ErrNoPack and names the file. It is bounded in time and memory whatever the archive claims.
func Open(r io.ReaderAt, size int64) (*Pack, error) {
	z, err := zip.NewReader(r, size)
	if err != nil {
		return nil, fmt.Errorf("%w: it is no ZIP archive, or it was cut off: %w", ErrNoPack, err)
	}
	if len(z.File) > mostFiles {
		return nil, fmt.Errorf("%w: it has %d files: at most %d", ErrNoPack, len(z.File), mostFiles)
	}
	p := &Pack{files: map[string][]byte{}}
	sums, all := map[string]File{}, int64(0)
	for _, f := range z.File {
		if !knownName.MatchString(f.Name) {
			return nil, fmt.Errorf("%w: %q is no file of a pack", ErrNoPack, f.Name)
		}
		if _, twice := sums[f.Name]; twice {
			return nil, fmt.Errorf("%w: %s is in it twice", ErrNoPack, f.Name)
		}
		data, err := unpack(f, mostAll-all)
		if err != nil {
			return nil, fmt.Errorf("%w: %s: %w", ErrNoPack, f.Name, err)
		}
		all += int64(len(data))
		sum := sha256.Sum256(data)
		sums[f.Name] = File{Name: f.Name, SHA256: hex.EncodeToString(sum[:]), Bytes: int64(len(data))}
		if !photoName.MatchString(f.Name) {
			p.files[f.Name] = data
		}
	}
	for _, step := range []func(map[string]File) error{p.readManifest, p.readJournal, p.readFacts} {
		if err := step(sums); err != nil {
			return nil, fmt.Errorf("%w: %w", ErrNoPack, err)
		}
	}
	return p, nil
}

// unpack reads one file, and no more of it than it may have.
func unpack(f *zip.File, left int64) ([]byte, error) {
	most := int64(mostFile)
	if photoName.MatchString(f.Name) {
		most = mostPhoto
	}
	most = min(most, left)
	if f.UncompressedSize64 > uint64(most) {
		return nil, fmt.Errorf("it has %d bytes: at most %d", f.UncompressedSize64, most)
	}
	r, err := f.Open()
	if err != nil {
		return nil, err
	}
	defer r.Close()
	data, err := io.ReadAll(io.LimitReader(r, most+1))
	if err != nil {
		return nil, err
	}
	if int64(len(data)) > most {
		return nil, fmt.Errorf("it unpacks to more than %d bytes", most)
	}
	return data, nil
}

func (p *Pack) readManifest(sums map[string]File) error {
	if err := json.Unmarshal(p.files[manifestFile], &p.Manifest); err != nil {
		return fmt.Errorf("%s cannot be read: %w", manifestFile, err)
	}
	if p.Manifest.Form != form {
		return fmt.Errorf("it has form %d, this program knows %d: use the newer program", p.Manifest.Form, form)
	}
	listed := map[string]bool{manifestFile: true, manifestSeal: true}
	for _, f := range p.Manifest.Files {
		got, ok := sums[f.Name]
		switch {
		case !ok:
			return fmt.Errorf("%s is missing", f.Name)
		case got != f:
			return fmt.Errorf("%s is not as it was packed", f.Name)
		}
		listed[f.Name] = true
	}
	for name := range sums {
		if !listed[name] {
			return fmt.Errorf("%s was put in afterwards: the manifest does not name it", name)
		}
	}
	return nil
}

func (p *Pack) readJournal(sums map[string]File) error {
	d := json.NewDecoder(bytes.NewReader(p.files[journalFile]))
	for d.More() {
		var e jobbook.Entry
		if err := d.Decode(&e); err != nil {
			return fmt.Errorf("%s, row %d: %w", journalFile, len(p.Journal)+1, err)
		}
		p.Journal = append(p.Journal, e)
	}
	if len(p.Journal) == 0 {
		return fmt.Errorf("%s is empty", journalFile)
	}
	if err := jobbook.FollowChain(p.Journal); err != nil {
		return err
	}
	if head := p.Journal[len(p.Journal)-1]; head.Seq != p.Manifest.HeadSeq || hex.EncodeToString(head.Hash) != p.Manifest.HeadHash {
		return fmt.Errorf("the journal ends at row %d, the manifest says %d, or another row of that number", head.Seq, p.Manifest.HeadSeq)
	}
	return p.holdToJournal(sums)
}

// holdToJournal holds what was frozen and photographed against the digests of the journal.
func (p *Pack) holdToJournal(sums map[string]File) error {
	var digests []string
	for _, e := range p.Journal {
		if e.Kind != "freeze-coat" && e.Kind != "add-photo" {
			continue
		}
		var named struct {
			Trace  string `json:"trace_sha256"`
			Advice string `json:"advice_sha256"`
			Probes string `json:"probes_sha256"`
			Limits string `json:"limits_sha256"`
			Photo  string `json:"sha256"`
		}
		if err := json.Unmarshal(e.Payload, &named); err != nil {
			return fmt.Errorf("journal row %d: %w", e.Seq, err)
		}
		digests = append(digests, named.Trace, named.Advice, named.Probes, named.Limits, named.Photo)
	}
	for name, f := range sums {
		kept := photoName.MatchString(name) || regexp.MustCompile(`^coats/\d+/(trace\.minutes|(advice|probes|limits)\.json)$`).MatchString(name)
		if kept && !slices.Contains(digests, f.SHA256) {
			return fmt.Errorf("%s is not what the journal says was kept", name)
		}
	}
	return nil
}

func (p *Pack) readFacts(map[string]File) error {
	var err error
	if p.Job, err = decodeFacts(p.files[factsFile]); err != nil {
		return err
	}
	if p.Job.ID != p.Manifest.Job {
		return fmt.Errorf("%s is of job %d, the manifest of job %d", factsFile, p.Job.ID, p.Manifest.Job)
	}
	if err := json.Unmarshal(p.files[computedFile], &p.computed); err != nil {
		return fmt.Errorf("%s cannot be read: %w", computedFile, err)
	}
	return nil
}

// Sealed gives the manifest and the seal over it.
func (p *Pack) Sealed() (manifest, seal []byte) { return p.files[manifestFile], p.files[manifestSeal] }

// HashAt gives the hash of a row of the pack's journal.
func (p *Pack) HashAt(seq int64) ([]byte, error) {
	first := p.Journal[0].Seq
	if seq < first || seq-first >= int64(len(p.Journal)) {
		return nil, fmt.Errorf("pack: row %d: the journal in it goes from %d to %d", seq, first, p.Journal[len(p.Journal)-1].Seq)
	}
	return p.Journal[seq-first].Hash, nil
}

// Again is what came of working a pack out again.
type Again struct {
	SameBytes bool     // every form of the record and all that was computed came out byte by byte
	Worst     float64  // largest relative difference of a number where the bytes are not the same
	Problems  []string // what came out otherwise: sentences, none where all holds
	Coats     []Computed
}

// mostApart is how far numbers may lie apart that another processor worked out, relative.
const mostApart = 1e-9

// Again writes the record anew from the facts and works out the cure of each coat from its trace, and holds both against what is in the pack. On the
// architecture and by the version that made it every byte has to be the same; elsewhere words have to be the same and numbers within 1e-9. same says which of the two is asked; a
// version with other laws, other than the pack's, may rightly come to something else: then the caller says so.
func (p *Pack) Again(same bool) (Again, error) {
	out := Again{SameBytes: true}
	hold := func(name string, packed, again []byte) {
		if bytes.Equal(packed, again) {
			return
		}
		out.SameBytes = false
		if !same && strings.HasSuffix(name, ".pdf") {
			return // packed streams, which cannot be compared by words: it says what record.html says
		}
		apart, what := distance(packed, again)
		out.Worst = math.Max(out.Worst, apart)
		switch {
		case what != "":
			out.Problems = append(out.Problems, fmt.Sprintf("%s comes out otherwise: %s.", name, what))
		case apart > mostApart:
			out.Problems = append(out.Problems, fmt.Sprintf("%s comes out otherwise: numbers differ by %.2g of their size.", name, apart))
		case same:
			out.Problems = append(out.Problems, fmt.Sprintf("%s does not come out byte by byte.", name))
		}
	}
	for _, f := range forms {
		var b bytes.Buffer
		if err := f.write(&b, p.Job); err != nil {
			return out, err
		}
		packed := p.files[f.name]
		if i := bytes.LastIndex(packed, []byte("\n%cure-record-seal ")); i >= 0 {
			packed = packed[:i]
		}
		hold(f.name, packed, b.Bytes())
	}
	out.Coats = []Computed{}
	for _, c := range p.computed {
		base := fmt.Sprintf("coats/%d/", c.Coat)
		trace, err := jobbook.DecodeMinutes(p.files[base+"trace.minutes"])
		if err != nil {
			return out, err
		}
		for _, k := range p.Job.Coats {
			if k.ID == c.Coat {
				out.Coats = append(out.Coats, compute(k, trace, p.files[base+"system.json"]))
			}
		}
	}
	text, err := json.MarshalIndent(out.Coats, "", " ")
	if err != nil {
		return out, fmt.Errorf("pack: %w", err)
	}
	hold(computedFile, p.files[computedFile], append(text, '\n'))
	return out, nil
}

var number = regexp.MustCompile(`-?\d+(\.\d+)?([eE][-+]?\d+)?`)

// distance compares two texts: how far their numbers lie apart at most, relative to their size, and where their words differ.
func distance(a, b []byte) (apart float64, what string) {
	wordsA, wordsB := number.Split(string(a), -1), number.Split(string(b), -1)
	if !slices.Equal(wordsA, wordsB) {
		for i := range min(len(wordsA), len(wordsB)) {
			if wordsA[i] != wordsB[i] {
				return 0, fmt.Sprintf("%.80q, was %.80q", wordsB[i], wordsA[i])
			}
		}
		return 0, "one of them is longer"
	}
	numbersA, numbersB := number.FindAll(a, -1), number.FindAll(b, -1)
	for i := range numbersA {
		if bytes.Equal(numbersA[i], numbersB[i]) {
			continue
		}
		x, err1 := strconv.ParseFloat(string(numbersA[i]), 64)
		y, err2 := strconv.ParseFloat(string(numbersB[i]), 64)
		if err1 != nil || err2 != nil {
			return 0, fmt.Sprintf("%s, was %s", numbersB[i], numbersA[i])
		}
		apart = math.Max(apart, math.Abs(x-y)/math.Max(math.Max(math.Abs(x), math.Abs(y)), 1e-300))
	}
	return apart, ""
}
