// Command packages makes one Debian package by the recipe in nfpm.yaml. The same files give the same bytes: every time in the package is
// SOURCE_DATE_EPOCH.
//
//	packages RECIPE ARCH VERSION OUT
//
// ARCH is a Debian one; armhf holds the program for ARMv6, which the oldest boards of that name need. The recipe's ${...} are environment variables.
package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/goreleaser/nfpm/v2"
	_ "github.com/goreleaser/nfpm/v2/deb"
)

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, "packages:", err)
		os.Exit(1)
	}
}

func run(args []string) error {
	if len(args) != 4 {
		return errors.New("want RECIPE ARCH VERSION OUT")
	}
	recipe, arch, version, dir := args[0], args[1], args[2], args[3]
	epoch, err := strconv.ParseInt(os.Getenv("SOURCE_DATE_EPOCH"), 10, 64)
	if err != nil || epoch <= 0 {
		return errors.New("SOURCE_DATE_EPOCH is not set: want the time of the commit, seconds since 1970")
	}
	set := map[string]string{"ARCH": arch, "VERSION": version}
	text, err := os.ReadFile(recipe)
	if err != nil {
		return err
	}
	filled := os.Expand(string(text), func(name string) string {
		if v, ok := set[name]; ok {
			return v
		}
		return os.Getenv(name)
	})
	config, err := nfpm.Parse(strings.NewReader(filled))
	if err != nil {
		return fmt.Errorf("recipe: %w", err)
	}
	info, err := config.Get("deb")
	if err != nil {
		return fmt.Errorf("recipe: %w", err)
	}
	info = nfpm.WithDefaults(info)
	info.MTime = time.Unix(epoch, 0).UTC()
	for _, c := range info.Contents {
		if c.FileInfo == nil {
			continue
		}
		c.FileInfo.MTime = info.MTime
	}
	if err := nfpm.PrepareForPackager(info, "deb"); err != nil {
		return fmt.Errorf("recipe: %w", err)
	}
	packager, err := nfpm.Get("deb")
	if err != nil {
		return err
	}
	path := filepath.Join(dir, packager.ConventionalFileName(info))
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	if err := packager.Package(info, f); err != nil {
		return errors.Join(err, f.Close(), os.Remove(path))
	}
	fmt.Println(path)
	return f.Close()
}
