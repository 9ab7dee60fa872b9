package jobbook

import (
	"bytes"
	"compress/flate"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
)

// content is what a journal row names by the SHA-256 of its plain bytes.
type content struct {
	media string
	bytes []byte
	pack  bool // deflate it
}

var errPacked = errors.New("the stored bytes cannot be unpacked")

func (c content) digest() string {
	sum := sha256.Sum256(c.bytes)
	return hex.EncodeToString(sum[:])
}

func storeContent(ctx context.Context, tx *sql.Tx, c content) error {
	digest, err := hex.DecodeString(c.digest())
	if err != nil {
		return fmt.Errorf("jobbook: digest: %w", err)
	}
	stored, packed := c.bytes, int64(0)
	if c.pack {
		if stored, err = deflate(c.bytes); err != nil {
			return err
		}
		packed = 1
	}
	if stored == nil {
		stored = []byte{}
	}
	_, err = tx.ExecContext(ctx, "INSERT INTO content (digest, media, packed, bytes) VALUES (?,?,?,?) ON CONFLICT (digest) DO NOTHING", digest, c.media, packed, stored)
	if err != nil {
		return fmt.Errorf("jobbook: store %d bytes of %s: %w", len(stored), c.media, err)
	}
	return nil
}

// loadContent gives the plain bytes of a digest. The error wraps ErrNotFound where there are none.
func loadContent(ctx context.Context, q querier, digest string) ([]byte, error) {
	key, err := hex.DecodeString(digest)
	if err != nil {
		return nil, fmt.Errorf("jobbook: digest %q: %w", digest, err)
	}
	var stored []byte
	var packed int64
	err = q.QueryRowContext(ctx, "SELECT packed, bytes FROM content WHERE digest = ?", key).Scan(&packed, &stored)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("jobbook: content %s: %w", digest, ErrNotFound)
	}
	if err != nil {
		return nil, fmt.Errorf("jobbook: content %s: %w", digest, err)
	}
	if packed == 0 {
		return stored, nil
	}
	return inflate(stored, mostUnpacked)
}

// mostUnpacked bounds what a damaged or hostile file can make of a few bytes.
const mostUnpacked = 64 << 20

func deflate(b []byte) ([]byte, error) {
	var out bytes.Buffer
	w, err := flate.NewWriter(&out, flate.BestCompression)
	if err != nil {
		return nil, fmt.Errorf("jobbook: deflate: %w", err)
	}
	if _, err := w.Write(b); err != nil {
		return nil, fmt.Errorf("jobbook: deflate: %w", err)
	}
	if err := w.Close(); err != nil {
		return nil, fmt.Errorf("jobbook: deflate: %w", err)
	}
	return out.Bytes(), nil
}

func inflate(b []byte, most int64) ([]byte, error) {
	r := flate.NewReader(bytes.NewReader(b))
	plain, err := io.ReadAll(io.LimitReader(r, most+1))
	if err != nil {
		return nil, fmt.Errorf("jobbook: %w: %w", errPacked, err)
	}
	if int64(len(plain)) > most {
		return nil, fmt.Errorf("jobbook: %w: more than %d bytes", errPacked, most)
	}
	return plain, nil
}
