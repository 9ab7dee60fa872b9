package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"os"
	"runtime"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"tackline/advisor"
	"tackline/daemon/attest"
	"tackline/daemon/pack"
	"tackline/dashboard/record"
)

func newPackCmd(d *desk) *cobra.Command {
	var out, workshop string
	c := &cobra.Command{Use: "pack JOB", Args: cobra.ExactArgs(1),
		Short: "Write everything of a job into one archive: record in all forms, traces, systems, photos, journal",
		Long: "Writes a ZIP archive that any program can take apart, sealed by this shed. Journal rows that are of other jobs are in it by their hashes alone.\n" +
			"tackline job open works all of it out again, here or on another machine.",
		Example: "  tackline job pack 2 --out sandpiper.zip\n  tackline job open sandpiper.zip",
		RunE: func(c *cobra.Command, args []string) error {
			if strings.ContainsAny(args[0], "/?#.") {
				return usagef("%q is no number of a job: tackline job list shows them", args[0])
			}
			path := "/api/v1/packs/" + args[0]
			if workshop != "" {
				path += "?" + url.Values{"workshop": {workshop}}.Encode()
			}
			if out == "" {
				out = "job-" + args[0] + ".zip"
			}
			n, err := d.cl.download(c.Context(), path, out)
			if err != nil {
				return err
			}
			fmt.Fprintf(d.e.out, "Packed into %s: %.1f MB.\n", out, float64(n)/1e6)
			return nil
		}}
	c.Flags().StringVar(&out, "out", "", "file to write (default job-NUMBER.zip)")
	c.Flags().StringVar(&workshop, "workshop", "", "rule set for the record in it, as for tackline record")
	return c
}

func newOpenPackCmd(d *desk) *cobra.Command {
	e := d.e
	var format, paper, out, head string
	var flags *dataFlags
	c := &cobra.Command{Use: "open FILE", Args: cobra.ExactArgs(1),
		Short: "Open the archive of a job read-only: see that it is whole, and work it out again",
		Long: "Holds every file against the sealed manifest, follows the journal, writes the record anew and works out the cure of each coat from its trace. The same\n" +
			"version on the same kind of processor comes to the same bytes; another processor to the same words, and numbers within 1e-9. Exit code 3 where not.\n" +
			"--format writes the record that is in it in another form. Nothing is changed anywhere.",
		Example: "  tackline job open sandpiper.zip\n  tackline job open sandpiper.zip --format pdf --paper letter --out sandpiper.pdf",
		RunE: func(c *cobra.Command, args []string) error {
			if format != "" && !slices.Contains([]string{"html", "pdf", "csv", "json"}, format) {
				return usagef("--format %q: want html, pdf, csv or json", format)
			}
			if paper != "a4" && paper != "letter" {
				return usagef("--paper %q: want a4 or letter", paper)
			}
			f, err := os.Open(args[0])
			if err != nil {
				return usageError{err}
			}
			defer f.Close()
			st, err := f.Stat()
			if err != nil {
				return err
			}
			p, err := pack.Open(f, st.Size())
			if err != nil {
				fmt.Fprintln(e.err, err)
				return errWanting
			}
			if format != "" {
				return writeForm(e, p, format, paper, out)
			}
			return tellPack(c, e, flags, p, head, d.asJSON)
		}}
	c.Flags().StringVar(&format, "format", "", "write its record: html, pdf, csv or json")
	c.Flags().StringVar(&paper, "paper", "a4", "of a pdf: a4 or letter")
	c.Flags().StringVar(&out, "out", "", "file to write; default standard output")
	c.Flags().StringVar(&head, "head", "", "a head of the book's chain, number:hash, that an alert carried")
	flags = addDataFlags(c, e)
	return c
}

func writeForm(e env, p *pack.Pack, format, paper, out string) (err error) {
	w := e.out
	if out != "" && out != "-" {
		f, err := os.Create(out)
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, f.Close()) }()
		w = f
	}
	switch format {
	case "html":
		return record.WriteHTML(w, p.Job)
	case "csv":
		return record.WriteCSV(w, p.Job, record.CSVOptions{})
	case "json":
		return record.WriteJSON(w, p.Job)
	}
	size := record.A4
	if paper == "letter" {
		size = record.Letter
	}
	return record.WritePDF(w, p.Job, size)
}

// packJSON is what opening a pack says.
type packJSON struct {
	Job       int64           `json:"job"`
	Name      string          `json:"name"`
	Shed      string          `json:"shed"`
	AsOf      time.Time       `json:"as_of"`
	Software  string          `json:"software"`
	Model     string          `json:"model"`
	Arch      string          `json:"arch"`
	Coats     int             `json:"coats"`
	Unaltered bool            `json:"unaltered"`
	SameBytes bool            `json:"same_bytes"`
	Worst     float64         `json:"worst_relative"` // difference of a number, where the bytes are not the same
	Computed  []pack.Computed `json:"computed"`
	Problems  []string        `json:"problems"`
}

func tellPack(c *cobra.Command, e env, flags *dataFlags, p *pack.Pack, head string, asJSON bool) error {
	m := p.Manifest
	same := m.Arch == runtime.GOARCH && m.Model == advisor.ModelVersion && m.Software == "tackline "+buildVersion().Version
	again, err := p.Again(same)
	if err != nil {
		return err
	}
	against, done, err := here(c.Context(), flags)
	if err != nil {
		return err
	}
	defer done()
	against.Head = head
	if against.HashAt == nil && head != "" {
		against.HashAt = p.HashAt // the pack has the chain itself
	}
	manifest, seal := p.Sealed()
	found, err := attest.Verify(manifest, seal, against)
	if err != nil {
		return err
	}
	problems := append(slices.Clone(found.Problems), again.Problems...)
	if asJSON {
		out := packJSON{Job: m.Job, Name: m.Name, Shed: m.Shed, AsOf: m.AsOf, Software: m.Software, Model: m.Model, Arch: m.Arch, Coats: len(p.Job.Coats), Unaltered: found.Unaltered,
			SameBytes: again.SameBytes, Worst: again.Worst, Computed: again.Coats, Problems: append([]string{}, problems...)}
		enc := json.NewEncoder(e.out)
		enc.SetIndent("", "  ")
		if err := enc.Encode(out); err != nil {
			return err
		}
	} else {
		say := func(format string, args ...any) { fmt.Fprintf(e.out, format+"\n", args...) }
		say("Job %d, %s, of %s, as of %s: %d coats, %d journal rows, by %s with laws %s on %s.", m.Job, m.Name, m.Shed, m.AsOf.Format(time.RFC3339), len(p.Job.Coats), len(p.Journal), m.Software, m.Model, m.Arch)
		if found.Unaltered {
			say("The archive is as it was sealed, and its journal follows from row to row.")
		}
		switch {
		case again.SameBytes:
			say("Worked out again: the same bytes.")
		case len(again.Problems) == 0:
			say("Worked out again on another kind of processor: the same words, and numbers within %.2g of their size.", again.Worst)
		}
		if m.Model != advisor.ModelVersion {
			say("This program has laws %s, the pack %s: what differs may be theirs.", advisor.ModelVersion, m.Model)
		}
		if found.Witness != "" {
			say("%s", found.Witness)
		}
		for _, q := range problems {
			say("%s", q)
		}
		say("A seal cannot show that the owner of the book never wrote it anew; a head of its chain that was sent out earlier can.")
	}
	if len(problems) > 0 {
		return errWanting
	}
	return nil
}
