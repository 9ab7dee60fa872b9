package record

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"image/jpeg"
	_ "image/png" // photos may be PNG

	"golang.org/x/image/draw"
)

// Bounds of what a record shows of a photo.
const (
	shownPixels  = 900      // of the longer side
	shownQuality = 80       // of the JPEG
	mostDecoded  = 26 << 20 // pixels: decoding more would take more memory than a small board can spare
)

// Thumbnail gives a photo (PNG or JPEG) as a JPEG small enough for a record, upright by its Exif orientation, or why it cannot be shown.
// The whole photo stays where it is kept.
func Thumbnail(data []byte) (shown []byte, why string) {
	c, _, err := image.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return nil, "it cannot be read: " + err.Error()
	}
	if c.Width*c.Height > mostDecoded {
		return nil, fmt.Sprintf("%d x %d pixels are more than a small board can take apart; the pack of the job has it whole", c.Width, c.Height)
	}
	m, _, err := image.Decode(bytes.NewReader(data))
	if err != nil {
		return nil, "it cannot be read: " + err.Error()
	}
	w, h := c.Width, c.Height
	if longer := max(w, h); longer > shownPixels {
		w, h = max(1, w*shownPixels/longer), max(1, h*shownPixels/longer)
	}
	small := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(small, small.Bounds(), image.White, image.Point{}, draw.Src) // what is transparent shows paper
	draw.ApproxBiLinear.Scale(small, small.Bounds(), m, m.Bounds(), draw.Over, nil)
	var b bytes.Buffer
	if err := jpeg.Encode(&b, upright(small, orientation(data)), &jpeg.Options{Quality: shownQuality}); err != nil {
		return nil, "it cannot be written: " + err.Error()
	}
	return b.Bytes(), ""
}

// upright turns and mirrors a picture as its Exif orientation says (Exif 2.3, tag 0x0112: 1 to 8).
func upright(m *image.RGBA, how int) *image.RGBA {
	if how < 2 || how > 8 {
		return m
	}
	w, h := m.Rect.Dx(), m.Rect.Dy()
	tw, th := w, h
	if how >= 5 {
		tw, th = h, w
	}
	out := image.NewRGBA(image.Rect(0, 0, tw, th))
	for y := range h {
		for x := range w {
			var tx, ty int
			switch how {
			case 2:
				tx, ty = w-1-x, y
			case 3:
				tx, ty = w-1-x, h-1-y
			case 4:
				tx, ty = x, h-1-y
			case 5:
				tx, ty = y, x
			case 6:
				tx, ty = h-1-y, x
			case 7:
				tx, ty = h-1-y, w-1-x
			case 8:
				tx, ty = y, w-1-x
			}
			out.SetRGBA(tx, ty, m.RGBAAt(x, y))
		}
	}
	return out
}

// orientation reads tag 0x0112 of the first image directory of a JPEG's Exif segment; 1 where there is none.
func orientation(b []byte) int {
	if !bytes.HasPrefix(b, []byte{0xff, 0xd8}) {
		return 1
	}
	for at := 2; at+4 <= len(b) && b[at] == 0xff; {
		size := int(binary.BigEndian.Uint16(b[at+2:]))
		end := at + 2 + size
		if b[at+1] == 0xda || size < 2 || end > len(b) {
			return 1
		}
		if body := b[at+4 : end]; b[at+1] == 0xe1 && bytes.HasPrefix(body, []byte("Exif\x00\x00")) {
			return exifOrientation(body[6:])
		}
		at = end
	}
	return 1
}

func exifOrientation(tiff []byte) int {
	if len(tiff) < 8 {
		return 1
	}
	var order binary.ByteOrder = binary.LittleEndian
	if tiff[0] == 'M' {
		order = binary.BigEndian
	}
	at := int64(order.Uint32(tiff[4:]))
	if at+2 > int64(len(tiff)) {
		return 1
	}
	n := int64(order.Uint16(tiff[at:]))
	for i := range n {
		e := at + 2 + 12*i
		if e+12 > int64(len(tiff)) {
			return 1
		}
		if order.Uint16(tiff[e:]) == 0x0112 {
			return int(order.Uint16(tiff[e+8:]))
		}
	}
	return 1
}
