package daemon

import (
	"context"

	"tackline/daemon/attest"
)

// sealRecord seals a record with the shed's key and the head of the job book's chain.
func (d *Daemon) sealRecord(ctx context.Context, job int64, form string, data []byte) (sealed, beside []byte, err error) {
	id, err := d.book.ID(ctx)
	if err != nil {
		return nil, nil, err
	}
	seq, hash, err := d.book.Head(ctx)
	if err != nil {
		return nil, nil, err
	}
	book := attest.Book{ID: id, HeadSeq: seq, HeadHash: hash}
	if beside, err = d.signer.Seal(data, job, book); err != nil {
		return nil, nil, err
	}
	if form == "pdf" {
		sealed, err = d.signer.SealPDF(data, job, book)
		return sealed, beside, err
	}
	return data, beside, nil
}
