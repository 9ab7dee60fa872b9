package daemon

import (
	"bytes"
	"errors"
	"fmt"
	"net/http"
	"strconv"

	"tackline/daemon/jobbook"
	"tackline/daemon/pack"
	"tackline/dashboard"
)

// getPack answers with the pack of a job. It is put together before the first byte goes out, so that an error is told as one.
func (d *Daemon) getPack(w http.ResponseWriter, r *http.Request) {
	id, err := strconv.ParseInt(r.PathValue("id"), 10, 64)
	if err != nil {
		dashboard.Problem{Status: http.StatusNotFound, Detail: "want packs/NUMBER, with the number of a job"}.Write(w, r)
		return
	}
	var b bytes.Buffer
	err = d.writePack(r, &b, id)
	var bad *dashboard.Refusal
	switch {
	case err == nil:
	case errors.Is(err, dashboard.ErrNotFound):
		dashboard.Problem{Status: http.StatusNotFound, Detail: fmt.Sprintf("no job has the number %d", id)}.Write(w, r)
		return
	case errors.As(err, &bad):
		dashboard.Problem{Status: http.StatusUnprocessableEntity, Field: bad.Field, Detail: bad.Sentence}.Write(w, r)
		return
	default:
		d.log.Error("daemon: pack not made", "job", id, "error", err)
		dashboard.Problem{Status: http.StatusInternalServerError, Detail: "the pack could not be made: the log says why"}.Write(w, r)
		return
	}
	w.Header().Set("Content-Type", "application/zip")
	w.Header().Set("Content-Disposition", fmt.Sprintf(`attachment; filename="job-%d.zip"`, id))
	w.Header().Set("Content-Length", strconv.Itoa(b.Len()))
	_, _ = w.Write(b.Bytes()) // a phone that is gone
}

func (d *Daemon) writePack(r *http.Request, b *bytes.Buffer, id int64) error {
	ctx := r.Context()
	in := pack.Input{}
	var err error
	if in.Job, err = d.Record(ctx, id, r.URL.Query().Get("workshop")); err != nil {
		return err
	}
	if in.Journal, err = d.book.JournalOf(ctx, id); err != nil {
		return err
	}
	if in.Book, err = d.book.ID(ctx); err != nil {
		return err
	}
	facts, err := d.book.State(ctx)
	if err != nil {
		return err
	}
	for _, c := range facts.CoatsOf(id) {
		one := pack.Coat{ID: c.ID, System: c.System}
		f, err := d.book.Frozen(ctx, c.ID)
		switch {
		case err == nil:
			one.Frozen = &f
		case !errors.Is(err, jobbook.ErrNotFound):
			return err
		}
		in.Coats = append(in.Coats, one)
	}
	in.Photo = func(photo int64) ([]byte, error) {
		data, _, err := d.book.Photo(ctx, photo)
		return data, err
	}
	in.Seal = func(data []byte) ([]byte, error) {
		_, beside, err := d.sealRecord(ctx, id, "", data)
		return beside, err
	}
	in.SealPDF = func(data []byte) ([]byte, error) {
		whole, _, err := d.sealRecord(ctx, id, "pdf", data)
		return whole, err
	}
	return pack.Write(b, in)
}
