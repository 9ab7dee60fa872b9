package dashboard

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"
)

// Photos keeps photos that come from a form without the script. Errors are as those of Commands.
type Photos interface {
	Photo(ctx context.Context, p PhotoEntry) (Receipt, error)
}

// PhotoEntry is a photo that was sent.
type PhotoEntry struct {
	Key, Who string
	About
	Caption string
	Data    []byte
}

// mostPhotoForm is more than a photo and the fields beside it need, in bytes.
const mostPhotoForm = 9 << 20

// keepsakes are the notes and photos of one thing, with the forms for more.
type keepsakes struct {
	ID       string // on the page
	Here, Of string // where forms go back to; what the photos are of
	CanWrite bool
	About    About
	Notes    []noteRow
	Photos   []photoRow
	Any      int // of both together
}

type noteRow struct{ Text, When, Who string }

type photoRow struct {
	ID, Width, Height int64
	Caption, When     string
}

// keepsakes gives notes and photos of one thing, newest first; of a piece those of its coats too, with the coat's name.
func (h *Handler) keepsakes(v View, b Book, id, here, of string, about About) keepsakes {
	k := keepsakes{ID: id, Here: here, Of: of, CanWrite: h.canWrite(v), About: about}
	whose := map[About]string{about: ""}
	for _, c := range v.Coats {
		if about.Piece != 0 && c.Piece == about.Piece {
			whose[About{Coat: c.ID}] = h.tx.get("kept_of_coat", h.tx.get("kind_"+string(c.Kind)), clock(c.Started, v.At, v.Zone))
		}
	}
	said := func(at time.Time, of string) string {
		if of == "" {
			return clock(at, v.At, v.Zone)
		}
		return clock(at, v.At, v.Zone) + ", " + of
	}
	for i := len(b.Notes) - 1; i >= 0; i-- {
		if n := b.Notes[i]; hasKey(whose, n.About) {
			k.Notes = append(k.Notes, noteRow{Text: n.Text, When: said(n.At, whose[n.About]), Who: n.Who})
		}
	}
	for i := len(b.Photos) - 1; i >= 0; i-- {
		if f := b.Photos[i]; hasKey(whose, f.About) {
			k.Photos = append(k.Photos, photoRow{ID: f.ID, Width: f.Width, Height: f.Height, Caption: f.Caption, When: said(f.At, whose[f.About])})
		}
	}
	k.Any = len(k.Notes) + len(k.Photos)
	return k
}

func hasKey(m map[About]string, a About) bool { _, ok := m[a]; return ok }

// postPhoto keeps the photo of a plain form, and goes back to the page that its field back names.
func (h *Handler) postPhoto(w http.ResponseWriter, r *http.Request) {
	back := "/"
	err := errReadOnly
	if h.o.Photos != nil {
		back, err = h.takePhoto(r)
	}
	if err == nil {
		http.Redirect(w, r, back, http.StatusSeeOther)
		return
	}
	status, _, why := h.explain(r, err)
	h.fail(w, r, status, back, h.tx.get("error_kept"), why, back, false)
}

func (h *Handler) takePhoto(r *http.Request) (back string, err error) {
	if err := r.ParseMultipartForm(mostPhotoForm); err != nil {
		var tooLong *http.MaxBytesError
		if errors.As(err, &tooLong) {
			return "/", &Refusal{Sentence: h.tx.get("photo_large", mostPhotoForm>>20-1)}
		}
		return "/", fmt.Errorf("%w: %v", errMalformed, err)
	}
	get := func(name string) string { return strings.TrimSpace(r.PostFormValue(name)) }
	back = within(get("back"))
	p := PhotoEntry{Key: get("key"), Who: Who(r, get("who")), Caption: get("caption")}
	for name, to := range map[string]*int64{"job": &p.Job, "piece": &p.Piece, "coat": &p.Coat} {
		if s := get(name); s != "" {
			if *to, err = strconv.ParseInt(s, 10, 64); err != nil {
				return back, &Refusal{Field: name, Sentence: h.tx.get("photo_about")}
			}
		}
	}
	file, _, err := r.FormFile("photo")
	if err != nil {
		return back, &Refusal{Field: "photo", Sentence: h.tx.get("photo_missing")}
	}
	defer file.Close()
	if p.Data, err = io.ReadAll(file); err != nil {
		return back, fmt.Errorf("%w: %v", errMalformed, err)
	}
	_, err = h.o.Photos.Photo(r.Context(), p)
	return back, err
}
