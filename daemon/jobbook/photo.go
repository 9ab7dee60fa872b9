package jobbook

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image/jpeg"
	"image/png"
)

// Limits of a photo.
const (
	MostPhotoBytes  = 8 << 20
	MostPhotoPixels = 64 << 20
)

// About says what a note or photo is of: at most one of them, none for the shed.
type About struct {
	Job   int64 `json:"job,omitempty"`
	Piece int64 `json:"piece,omitempty"`
	Coat  int64 `json:"coat,omitempty"`
}

func (a About) refs() []ref {
	return []ref{{classJob, a.Job}, {classPiece, a.Piece}, {classCoat, a.Coat}}
}

func (a About) check(c *checker) {
	given := 0
	for _, id := range []int64{a.Job, a.Piece, a.Coat} {
		if id != 0 {
			given++
		}
	}
	if given > 1 {
		c.fail("job", "job %d, piece %d, coat %d: give at most one of them", a.Job, a.Piece, a.Coat)
	}
	c.optional("job", classJob, a.Job, nil)
	c.optional("piece", classPiece, a.Piece, nil)
	c.optional("coat", classCoat, a.Coat, nil)
}

// Note records a text.
type Note struct {
	About
	Text string `json:"text"`
	When int64  `json:"when_ms,omitempty"` // 0 is now
}

// Kind is "note".
func (Note) Kind() string { return "note" }

func (p Note) check(c *checker) {
	p.About.check(c)
	if p.Text == "" {
		c.fail("text", "is empty")
	}
	c.text("text", p.Text)
	c.when("when_ms", p.When)
}

func (p Note) apply(a *applier) error {
	return a.l.set(classNote, &NoteEntry{Head: a.newHead(), About: p.About, Text: p.Text, When: a.when(p.When)})
}

// AddPhoto stores a PNG or JPEG of at most MostPhotoBytes and MostPhotoPixels. The client gives Data; the type is found from the content,
// never from a name, and the other fields are filled in from it. Only their digest stands in the journal.
type AddPhoto struct {
	About
	Caption string `json:"caption,omitempty"`
	When    int64  `json:"when_ms,omitempty"` // taken; 0 is now
	Data    []byte `json:"-"`
	Media   string `json:"media"`
	SHA256  string `json:"sha256"`
	Bytes   int64  `json:"bytes"`
	Width   int64  `json:"width"`
	Height  int64  `json:"height"`
}

// Kind is "add-photo".
func (AddPhoto) Kind() string { return "add-photo" }

func (p AddPhoto) check(c *checker) {
	p.About.check(c)
	c.text("caption", p.Caption)
	c.when("when_ms", p.When)
	if c.l == nil && p.SHA256 == "" {
		if _, _, err := p.unload(); err != nil {
			c.fail("data", "%v", err)
		}
	}
}

func (p AddPhoto) apply(a *applier) error {
	return a.l.set(classPhoto, &Photo{Head: a.newHead(), About: p.About, Caption: p.Caption, When: a.when(p.When), Media: p.Media, SHA256: p.SHA256,
		Bytes: p.Bytes, Width: p.Width, Height: p.Height})
}

func (p AddPhoto) unload() (Payload, []content, error) {
	bad := func(format string, args ...any) (Payload, []content, error) {
		return nil, nil, &Invalid{Kind: p.Kind(), Fields: []FieldError{{Field: "data", Problem: fmt.Sprintf(format, args...)}}}
	}
	if len(p.Data) == 0 {
		return bad("is empty: send the bytes of a PNG or JPEG")
	}
	if len(p.Data) > MostPhotoBytes {
		return bad("has %.1f MB: at most %d MB: send a smaller copy", float64(len(p.Data))/(1<<20), MostPhotoBytes>>20)
	}
	media, width, height, err := pictureOf(p.Data)
	if err != nil {
		return bad("%v", err)
	}
	if width <= 0 || height <= 0 || width*height > MostPhotoPixels {
		return bad("is %d x %d pixels: at most %d million in all: send a smaller copy", width, height, int64(MostPhotoPixels)/1000000)
	}
	c := content{media: media, bytes: p.Data}
	p.Media, p.SHA256, p.Bytes, p.Width, p.Height = media, c.digest(), int64(len(p.Data)), width, height
	return p, []content{c}, nil
}

// pictureOf finds type and size from the content, and that its end is there: phones lose connections in mid upload. The picture is not
// decoded, which would take hundreds of megabytes on a small board.
func pictureOf(b []byte) (media string, width, height int64, err error) {
	switch {
	case bytes.HasPrefix(b, []byte("\x89PNG\r\n\x1a\n")):
		c, err := png.DecodeConfig(bytes.NewReader(b))
		if err != nil {
			return "", 0, 0, fmt.Errorf("is a damaged PNG: %w", err)
		}
		if err := wholePNG(b[8:]); err != nil {
			return "", 0, 0, fmt.Errorf("is a damaged PNG: %w", err)
		}
		return "image/png", int64(c.Width), int64(c.Height), nil
	case bytes.HasPrefix(b, []byte("\xff\xd8\xff")):
		c, err := jpeg.DecodeConfig(bytes.NewReader(b))
		if err != nil {
			return "", 0, 0, fmt.Errorf("is a damaged JPEG: %w", err)
		}
		if bytes.LastIndex(b, []byte("\xff\xd9")) < 0 {
			return "", 0, 0, fmt.Errorf("is a JPEG without an end: it was cut off on its way")
		}
		return "image/jpeg", int64(c.Width), int64(c.Height), nil
	}
	return "", 0, 0, fmt.Errorf("is neither PNG nor JPEG by its content: save it as one of them")
}

// wholePNG walks the chunks and their checksums to IEND (PNG specification, W3C, 3rd edition, section 5).
func wholePNG(b []byte) error {
	for len(b) >= 12 {
		n := int64(binary.BigEndian.Uint32(b))
		if n > int64(len(b))-12 {
			break
		}
		if crc32.ChecksumIEEE(b[4:8+n]) != binary.BigEndian.Uint32(b[8+n:]) {
			return fmt.Errorf("the checksum of chunk %q is wrong", b[4:8])
		}
		if string(b[4:8]) == "IEND" {
			return nil
		}
		b = b[12+n:]
	}
	return fmt.Errorf("it has no end: it was cut off on its way")
}

// Photo gives the bytes of a photo and their type. The error wraps ErrNotFound where there is none of that id.
func (b *Book) Photo(ctx context.Context, id int64) (data []byte, media string, err error) {
	s, err := b.State(ctx)
	if err != nil {
		return nil, "", err
	}
	for _, p := range s.Photos {
		if p.ID == id {
			data, err := loadContent(ctx, b.read, p.SHA256)
			return data, p.Media, err
		}
	}
	return nil, "", fmt.Errorf("jobbook: photo %d: %w", id, ErrNotFound)
}
