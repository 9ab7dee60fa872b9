package main

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"tackline/daemon/attest"
	"tackline/daemon/config"
	"tackline/daemon/jobbook"
)

func newRecordCmd(e env) *cobra.Command {
	var format, paper, workshop, out, sig, verify, head string
	var cl *client
	var flags *dataFlags
	c := &cobra.Command{
		Use:   "record JOB",
		Short: "Write the record of a job, or verify a copy: the conditions in which every coat cured",
		Long: "Writes the record of a job from the job book: pdf, html, csv or json. A pdf carries the shed's seal after its end; of the others --sig keeps it in a\n" +
			"file beside. --verify says of a copy whether it is unaltered, and whether it is of this shed's job book where that is at hand. It cannot show\n" +
			"that the owner never wrote the whole book anew: for that give --head, the number and hash that an earlier alert carried.",
		Example: "  tackline record 2 --format pdf --out sandpiper.pdf\n  tackline record --verify sandpiper.pdf",
		Args: func(c *cobra.Command, args []string) error {
			if verify != "" {
				return cobra.NoArgs(c, args)
			}
			return cobra.ExactArgs(1)(c, args)
		},
		RunE: func(c *cobra.Command, args []string) error {
			if verify != "" {
				return verifyRecord(c.Context(), e, flags, verify, sig, head)
			}
			if !slices.Contains([]string{"html", "pdf", "csv", "json"}, format) {
				return usagef("--format %q: want html, pdf, csv or json", format)
			}
			if paper != "a4" && paper != "letter" {
				return usagef("--paper %q: want a4 or letter", paper)
			}
			if strings.ContainsAny(args[0], "/?#.") {
				return usagef("%q is no number of a job: tackline job list shows them", args[0])
			}
			path := "/api/v1/records/" + args[0] + "." + format
			query := url.Values{}
			if format == "pdf" && paper == "letter" {
				query.Set("paper", "letter")
			}
			if workshop != "" {
				query.Set("workshop", workshop)
			}
			b, err := cl.call(c.Context(), http.MethodGet, path+"?"+query.Encode(), nil)
			if err != nil {
				return err
			}
			if sig != "" {
				seal, err := base64.StdEncoding.DecodeString(cl.head.Get("Record-Seal"))
				if err != nil || len(seal) == 0 {
					return errors.New("the daemon gave no seal with the record: are both of one version?")
				}
				if err := os.WriteFile(sig, seal, 0o644); err != nil {
					return err
				}
			}
			if out == "" || out == "-" {
				_, err = e.out.Write(b)
				return err
			}
			return os.WriteFile(out, b, 0o644)
		}}
	cl = serverFlag(c, e)
	flags = addDataFlags(c, e)
	c.Flags().StringVar(&format, "format", "html", "html, pdf, csv or json")
	c.Flags().StringVar(&paper, "paper", "a4", "of a pdf: a4 or letter")
	c.Flags().StringVar(&workshop, "workshop", "", "also say for how long the conditions were within a rule set: "+strings.Join(config.ShippedWorkshops(), ", ")+", or none (default that of the config)")
	c.Flags().StringVar(&out, "out", "", "file to write; default standard output")
	c.Flags().StringVar(&sig, "sig", "", "file of the seal: to write, or with --verify to read (default FILE.sig, or the pdf's own)")
	c.Flags().StringVar(&verify, "verify", "", "a copy of a record to verify")
	c.Flags().StringVar(&head, "head", "", "with --verify: a head of the book's chain, number:hash, that an alert carried")
	return c
}

// verifyRecord says of a copy what can be said. Exit code 3 where something does not hold.
func verifyRecord(ctx context.Context, e env, flags *dataFlags, path, sig, head string) error {
	file, err := os.ReadFile(path)
	if err != nil {
		return usageError{err}
	}
	record, seal, sealed := attest.Split(file)
	switch {
	case sig != "":
		record = file
		if seal, err = os.ReadFile(sig); err != nil {
			return usageError{err}
		}
	case !sealed:
		if seal, err = os.ReadFile(path + ".sig"); err != nil {
			fmt.Fprintf(e.out, "%s has no seal in it, and there is no %s.sig beside it: nothing can be said of it.\n", path, path)
			return errWanting
		}
	}
	against, done, err := here(ctx, flags)
	if err != nil {
		return err
	}
	defer done()
	against.Head = head
	f, err := attest.Verify(record, seal, against)
	if err != nil {
		fmt.Fprintln(e.out, err)
		return errWanting
	}
	if f.Unaltered {
		fmt.Fprintf(e.out, "Unaltered since it was sealed: record of job %d, from row %d of job book %s.\n", f.Job, f.HeadSeq, f.Book)
	}
	switch {
	case f.Ours && f.SameBook:
		fmt.Fprintln(e.out, "It is of this shed's job book, and that still has the row.")
	case against.Key == "":
		fmt.Fprintf(e.out, "The job book is not at hand, so whose it is cannot be said. Its key is %s\n", f.Key)
	}
	if f.Witness != "" {
		fmt.Fprintln(e.out, f.Witness)
	}
	for _, p := range f.Problems {
		fmt.Fprintln(e.out, p)
	}
	fmt.Fprintln(e.out, "A seal cannot show that the owner of the book never wrote it anew; a head of its chain that was sent out earlier can.")
	if len(f.Problems) > 0 {
		return errWanting
	}
	return nil
}

// here gives what this machine has to compare with: the shed's key and its job book. Nothing of it is an error where no shed is.
func here(ctx context.Context, flags *dataFlags) (attest.Against, func(), error) {
	folder, _, err := flags.shed()
	path := filepath.Join(folder, "jobbook.db")
	if err != nil || folder == "" {
		return attest.Against{}, func() {}, nil
	}
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		return attest.Against{}, func() {}, nil
	}
	signer, err := attest.OpenKey(folder)
	if err != nil {
		return attest.Against{}, nil, err
	}
	dir, err := os.MkdirTemp("", "tackline-verify-")
	if err != nil {
		return attest.Against{}, nil, err
	}
	clear := func() { _ = os.RemoveAll(dir) }
	to := filepath.Join(dir, "jobbook.db")
	if err := jobbook.Copy(ctx, path, to); err != nil { // the daemon may have it open
		clear()
		return attest.Against{}, nil, err
	}
	b, err := jobbook.Open(ctx, to, jobbook.Options{})
	if err != nil {
		clear()
		return attest.Against{}, nil, err
	}
	id, err := b.ID(ctx)
	if err != nil {
		clear()
		return attest.Against{}, nil, errors.Join(err, b.Close())
	}
	return attest.Against{Key: signer.Public(), Book: id, HashAt: func(seq int64) ([]byte, error) { return b.HashAt(ctx, seq) }},
		func() { _ = b.Close(); clear() }, nil
}
