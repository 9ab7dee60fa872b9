//go:build papers

package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
)

// This file is in the program that makes the package, and not in the one that is shipped: tackline papers writes the man pages and the shells'
// completions from the table of commands itself.
func init() {
	further = append(further, newPapersCmd)
}

func newPapersCmd(e env) *cobra.Command {
	return &cobra.Command{
		Use: "papers DIR EXAMPLE", Short: "Write man pages and completions", Args: cobra.ExactArgs(2), Hidden: true,
		RunE: func(c *cobra.Command, args []string) error { return writePapers(c.Root(), args[0], args[1]) },
	}
}

// writePapers writes DIR/man/*.1, DIR/man/tackline.toml.5 and DIR/completions/{bash,zsh,fish}. The date is SOURCE_DATE_EPOCH's.
func writePapers(root *cobra.Command, dir, example string) error {
	root.DisableAutoGenTag = true
	man, shells := filepath.Join(dir, "man"), filepath.Join(dir, "completions")
	for _, d := range []string{man, shells} {
		if err := os.MkdirAll(d, 0o755); err != nil {
			return err
		}
	}
	root.InitDefaultCompletionCmd()
	if err := doc.GenManTree(root, &doc.GenManHeader{Title: "TACKLINE", Section: "1", Source: "tackline", Manual: "tackline"}, man); err != nil {
		return err
	}
	conf, err := os.ReadFile(example)
	if err != nil {
		return err
	}
	if err := os.WriteFile(filepath.Join(man, "tackline.toml.5"), configPage(conf), 0o644); err != nil {
		return err
	}
	if err := root.GenBashCompletionFileV2(filepath.Join(shells, "bash"), true); err != nil {
		return err
	}
	if err := root.GenZshCompletionFile(filepath.Join(shells, "zsh")); err != nil {
		return err
	}
	return root.GenFishCompletionFile(filepath.Join(shells, "fish"), true)
}

// configPage is the commented example as a man page.
func configPage(conf []byte) []byte {
	var b bytes.Buffer
	b.WriteString(".TH TACKLINE.TOML 5 \"\" tackline tackline\n.SH NAME\ntackline.toml \\- config of tackline\n.SH DESCRIPTION\n" +
		"The file /etc/tackline/tackline.toml, read by\n.BR tackline-daemon (1)\nand checked by\n.BR tackline-check (1).\n" +
		"This is the commented example; lines that are commented out with a value show the default.\n.nf\n")
	for line := range strings.Lines(string(conf)) {
		line = strings.ReplaceAll(line, `\`, `\\`)
		if strings.HasPrefix(line, ".") || strings.HasPrefix(line, "'") {
			line = `\&` + line
		}
		fmt.Fprint(&b, strings.ReplaceAll(line, "-", `\-`))
	}
	b.WriteString(".fi\n")
	return b.Bytes()
}
