package pack

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"runtime"
	"strings"
	"time"

	"tackline/daemon/jobbook"
	"tackline/dashboard/record"
)

// form is that of the manifest.
const form = 1

// Manifest says what is in a pack.
type Manifest struct {
	Form     int64     `json:"form"`
	Job      int64     `json:"job"`
	Name     string    `json:"name"`
	Shed     string    `json:"shed"`
	AsOf     time.Time `json:"as_of"`
	Software string    `json:"software"`
	Model    string    `json:"model"` // version of the laws
	Arch     string    `json:"arch"`  // of the machine that worked it out, such as arm
	Book     string    `json:"book"`  // id of the job book
	HeadSeq  int64     `json:"head_seq"`
	HeadHash string    `json:"head_hash"` // hex
	Files    []File    `json:"files"`
}

// File is one of the archive's files.
type File struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"`
	Bytes  int64  `json:"bytes"`
}

// Coat is what is kept of a coat beside the record: as it was frozen into the job book, and its system.
type Coat struct {
	ID     int64
	System []byte // JSON, as it was in force
	Frozen *jobbook.Frozen
}

// Input is what goes into a pack.
type Input struct {
	Job     record.Job
	Coats   []Coat
	Journal []jobbook.Entry                             // of jobbook.JournalOf
	Book    string                                      // id of the book
	Photo   func(id int64) (data []byte, err error)     // a photo whole
	Seal    func(data []byte) (seal []byte, err error)  // detached
	SealPDF func(data []byte) (whole []byte, err error) // with the seal after its end
}

// Names of the files that are always there.
const (
	factsFile    = "facts.json"
	computedFile = "computed.json"
	journalFile  = "journal.jsonl"
	manifestFile = "manifest.json"
	manifestSeal = "manifest.json.sig"
	readmeFile   = "README.txt"
)

// forms are the forms of the record that a pack carries, and how each is written.
var forms = []struct {
	name  string
	write func(io.Writer, record.Job) error
}{
	{"record.html", record.WriteHTML},
	{"record-a4.pdf", func(w io.Writer, j record.Job) error { return record.WritePDF(w, j, record.A4) }},
	{"record-letter.pdf", func(w io.Writer, j record.Job) error { return record.WritePDF(w, j, record.Letter) }},
	{"record.csv", func(w io.Writer, j record.Job) error { return record.WriteCSV(w, j, record.CSVOptions{}) }},
	{"record.json", record.WriteJSON},
}

// writer puts files into an archive, in a fixed order and with fixed times, so that the same facts give the same bytes.
type writer struct {
	z     *zip.Writer
	at    time.Time
	files []File
}

func (w *writer) put(name string, data []byte) error {
	method := zip.Deflate
	if strings.HasPrefix(name, "photos/") {
		method = zip.Store // packed already
	}
	f, err := w.z.CreateHeader(&zip.FileHeader{Name: name, Method: method, Modified: w.at})
	if err != nil {
		return fmt.Errorf("pack: %s: %w", name, err)
	}
	if _, err := f.Write(data); err != nil {
		return fmt.Errorf("pack: %s: %w", name, err)
	}
	sum := sha256.Sum256(data)
	w.files = append(w.files, File{Name: name, SHA256: hex.EncodeToString(sum[:]), Bytes: int64(len(data))})
	return nil
}

// Write writes a pack. An error after the first byte leaves half an archive behind, which Open refuses.
func Write(out io.Writer, in Input) error {
	if len(in.Journal) == 0 {
		return fmt.Errorf("pack: no journal")
	}
	w := &writer{z: zip.NewWriter(out), at: in.Job.AsOf.UTC()}
	if err := w.put(readmeFile, readme(in.Job)); err != nil {
		return err
	}
	for _, step := range []func(Input) error{w.record, w.coats, w.photos, w.journal} {
		if err := step(in); err != nil {
			return err
		}
	}
	head := in.Journal[len(in.Journal)-1]
	m := Manifest{Form: form, Job: in.Job.ID, Name: in.Job.Name, Shed: in.Job.Shed, AsOf: in.Job.AsOf.UTC(), Software: in.Job.Software, Model: in.Job.Model, Arch: runtime.GOARCH,
		Book: in.Book, HeadSeq: head.Seq, HeadHash: hex.EncodeToString(head.Hash), Files: w.files}
	text, err := json.MarshalIndent(m, "", " ")
	if err != nil {
		return fmt.Errorf("pack: manifest: %w", err)
	}
	seal, err := in.Seal(text)
	if err != nil {
		return err
	}
	if err := w.put(manifestFile, text); err != nil {
		return err
	}
	if err := w.put(manifestSeal, seal); err != nil {
		return err
	}
	if err := w.z.Close(); err != nil {
		return fmt.Errorf("pack: %w", err)
	}
	return nil
}

// record puts in the record in every form with its seals, and the facts that it is written from.
func (w *writer) record(in Input) error {
	for _, f := range forms {
		var b bytes.Buffer
		if err := f.write(&b, in.Job); err != nil {
			return err
		}
		seal := in.Seal
		if strings.HasSuffix(f.name, ".pdf") {
			whole, err := in.SealPDF(b.Bytes())
			if err != nil {
				return err
			}
			if err := w.put(f.name, whole); err != nil {
				return err
			}
			continue
		}
		text, err := seal(b.Bytes())
		if err != nil {
			return err
		}
		if err := w.put(f.name, b.Bytes()); err != nil {
			return err
		}
		if err := w.put(f.name+".sig", text); err != nil {
			return err
		}
	}
	text, err := encodeFacts(in.Job)
	if err != nil {
		return err
	}
	return w.put(factsFile, text)
}

// coats puts in what was frozen of each coat, its system, and what follows from both.
func (w *writer) coats(in Input) error {
	computed := []Computed{}
	for _, c := range in.Coats {
		name := fmt.Sprintf("coats/%d/", c.ID)
		if err := w.put(name+"system.json", append(bytes.Clone(c.System), '\n')); err != nil {
			return err
		}
		if c.Frozen == nil {
			continue
		}
		for _, p := range []struct {
			file string
			data []byte
		}{{"trace.minutes", c.Frozen.MinuteTrace}, {"advice.json", c.Frozen.Advice}, {"probes.json", c.Frozen.Probes}, {"limits.json", c.Frozen.Limits}} {
			if err := w.put(name+p.file, p.data); err != nil {
				return err
			}
		}
		trace, err := jobbook.DecodeMinutes(c.Frozen.MinuteTrace)
		if err != nil {
			return err
		}
		for _, k := range in.Job.Coats {
			if k.ID == c.ID {
				computed = append(computed, compute(k, trace, c.System))
			}
		}
	}
	text, err := json.MarshalIndent(computed, "", " ")
	if err != nil {
		return fmt.Errorf("pack: what was computed: %w", err)
	}
	return w.put(computedFile, append(text, '\n'))
}

func (w *writer) photos(in Input) error {
	for _, p := range in.Job.Photos {
		data, err := in.Photo(p.ID)
		if err != nil {
			return err
		}
		if err := w.put(photoFile(p), data); err != nil {
			return err
		}
	}
	return nil
}

func photoFile(p record.Photo) string {
	end := ".jpg"
	if p.Media == "image/png" {
		end = ".png"
	}
	return fmt.Sprintf("photos/%d%s", p.ID, end)
}

func (w *writer) journal(in Input) error {
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	for _, row := range in.Journal {
		if err := e.Encode(row); err != nil {
			return fmt.Errorf("pack: journal row %d: %w", row.Seq, err)
		}
	}
	return w.put(journalFile, b.Bytes())
}

func readme(j record.Job) []byte {
	return []byte("Everything that " + j.Shed + " kept of the job \"" + j.Name + "\", as of " + j.AsOf.UTC().Format(time.RFC3339) + ".\n" + orNothing(j.Notice) + `
record.html, record-a4.pdf, record-letter.pdf   the record, to read
record.csv, record.json                         the same for spreadsheets and programs, with every reading
*.sig, and the last line of each pdf            the shed's seals: tackline record --verify FILE says what they show
facts.json                                      what the record is written from
coats/N/                                        of each coat: its resin system, and what was frozen when it ended
computed.json                                   the cure of each coat, worked out from its trace and its system alone
photos/                                         the photos whole
journal.jsonl                                   who entered what and when; rows of other jobs by their hashes alone
manifest.json, manifest.json.sig                what is in here, and the seal over it

tackline job open FILE works all of it out again and says whether it comes to the same.

A seal cannot show that the owner of the job book never wrote it anew before; a head of its chain that was sent out earlier, with an alert, can.
The record states conditions. It is no approval, survey or certificate: the makers' sheets, local codes and people licensed to certify come first.
`)
}

func orNothing(s string) string {
	if s == "" {
		return ""
	}
	return s + "\n"
}
