package config

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"tackline/advisor/cure"
)

// Load reads a configuration file and looks at what it names: system files, traces and token files must be there and be readable. The error
// is an Errors with every mistake of the file and of the systems that it names.
func Load(path string) (Config, error) {
	data, err := readLimited(path)
	if err != nil {
		return Config{}, Errors{{File: path, Wrong: "cannot be read: " + cause(err), Want: "give the path of the config with --config"}}
	}
	c, err := Parse(data, path)
	if err != nil {
		return Config{}, err
	}
	c.dir = filepath.Dir(path)
	if _, err := c.LoadSystems(); err != nil {
		var es Errors
		if errors.As(err, &es) {
			c.doc.errs = append(c.doc.errs, es...)
		}
	}
	c.lookAround()
	if err := c.doc.errs.sorted(); err != nil {
		return Config{}, err
	}
	c.Notices = c.doc.notices()
	return c, nil
}

// Path gives a path of the config as one that can be opened: relative ones count from the folder of the config.
func (c Config) Path(p string) string {
	if p == "" || filepath.IsAbs(p) {
		return p
	}
	return filepath.Join(c.dir, p)
}

// Dir gives the folder of the config, from which relative paths count; "" where it was parsed and not loaded.
func (c Config) Dir() string { return c.dir }

// ProbeError gives what a driver has against the i-th probe, with the place of the probe in the file.
func (c Config) ProbeError(i int, err error) *Error {
	e := &Error{File: c.File, Field: fmt.Sprintf("probe[%d]", i+1),
		Wrong: strings.TrimPrefix(err.Error(), fmt.Sprintf("drivers: probe %q: ", c.Probes[i].Name))}
	if c.doc != nil {
		path := fmt.Sprintf("probe[%d]", i)
		at := c.doc.where(path)
		e.Line, e.Col, e.Field = at.line, at.col, c.doc.shown(path)
	}
	return e
}

// TokenPath is Path for a file that holds a secret. A bare name is looked for among the credentials that the service manager hands over
// (CREDENTIALS_DIRECTORY; those of a folder come as secret_NAME), then beside the config, then in the folder secrets beside the config.
func (c Config) TokenPath(p string) string {
	if p == "" || filepath.Base(p) != p {
		return c.Path(p)
	}
	places := []string{c.Path(p), c.Path(filepath.Join("secrets", p))}
	if dir := os.Getenv("CREDENTIALS_DIRECTORY"); dir != "" {
		places = append([]string{filepath.Join(dir, p), filepath.Join(dir, "secret_"+p)}, places...)
	}
	for _, place := range places {
		if _, err := os.Stat(place); err == nil {
			return place
		}
	}
	return c.Path(p)
}

// Token reads a secret from its file, without the blanks and line ends around it. The error never holds any of it.
func (c Config) Token(p string) (string, error) {
	if p == "" {
		return "", nil
	}
	data, err := readLimited(c.TokenPath(p))
	if err != nil {
		return "", fmt.Errorf("config: read token: %w", withoutPath(err))
	}
	t := strings.TrimSpace(string(data))
	if t == "" || len(t) > 4096 || !printable(t) {
		return "", errors.New("config: token file: want one line of text")
	}
	return t, nil
}

// Library is the resin systems of a config, each under the name that it gives itself; shipped ones go by their short name too.
type Library struct {
	list []cure.System
	by   map[string]int // by name in lower case
	from map[string]string
}

// Names lists the systems' own names in the order of the config: shipped ones first.
func (l Library) Names() []string {
	names := make([]string, len(l.list))
	for i := range l.list {
		names[i] = l.list[i].Name
	}
	return names
}

// Find gives a system by its own name or its shipped one, without regard to case. The error lists what there is.
func (l Library) Find(name string) (cure.System, error) {
	if i, ok := l.by[strings.ToLower(strings.TrimSpace(name))]; ok {
		return l.list[i], nil
	}
	text := fmt.Sprintf("config: no resin system %q; there are %s", name, strings.Join(l.Names(), ", "))
	if near := nearest(name, l.Names()); near != "" {
		text += fmt.Sprintf("; did you mean %q?", near)
	}
	return cure.System{}, errors.New(text)
}

func (l *Library) add(s cure.System, file string, names ...string) (taken, by string) {
	for _, n := range names {
		if other, ok := l.from[strings.ToLower(n)]; ok && other != file {
			return n, other
		}
	}
	for _, n := range names {
		l.by[strings.ToLower(n)], l.from[strings.ToLower(n)] = len(l.list), file
	}
	l.list = append(l.list, s)
	return "", ""
}

// LoadSystems reads all systems of the config. Two of one name are a mistake. The error is an Errors.
func (c Config) LoadSystems() (Library, error) {
	l := Library{by: map[string]int{}, from: map[string]string{}}
	d := &document{file: c.File, at: map[string]place{}, root: map[string]any{}}
	if c.doc != nil {
		d.at, d.root = c.doc.at, c.doc.root
	}
	add := func(path, file string, s cure.System, names ...string) {
		if name, other := l.add(s, file, names...); name != "" {
			d.fail(path, name, fmt.Sprintf("%s has the name %q, as has %s", file, name, other), "want a name of its own for each system")
		}
	}
	for i, n := range c.Systems.Shipped {
		path := fmt.Sprintf("systems.shipped[%d]", i)
		if s, err := LoadSystem(n); err != nil {
			d.adopt(path, n, err)
		} else {
			add(path, n+".toml (shipped)", s, n, s.Name)
		}
	}
	for i, f := range c.Systems.Files {
		path := fmt.Sprintf("systems.files[%d]", i)
		data, err := readLimited(c.Path(f))
		if err != nil {
			d.fail(path, f, fmt.Sprintf("%q cannot be read: %s", f, cause(err)), "want the path of a system's TOML file, from the folder of this config")
			continue
		}
		if s, err := ParseSystem(data, f); err != nil {
			d.adopt(path, f, err)
		} else {
			add(path, f, s, s.Name)
		}
	}
	return l, d.errs.sorted()
}

// adopt takes over the mistakes of another file.
func (d *document) adopt(path, value string, err error) {
	var es Errors
	if errors.As(err, &es) {
		d.errs = append(d.errs, es...)
		return
	}
	d.fail(path, value, err.Error(), "")
}

// lookAround checks that the files which the config names can be read, and that secrets are not open to all.
func (c Config) lookAround() {
	d := c.doc
	for i, p := range c.Probes {
		if p.Kind != "replay" {
			continue
		}
		file := p.Options["file"]
		if err := readable(c.Path(file)); err != nil {
			d.fail(fmt.Sprintf("probe[%d].file", i), file, fmt.Sprintf("%q cannot be read: %s", file, cause(err)), "want a CSV trace; a relative path counts from the folder of this config")
		}
	}
	for key, file := range map[string]string{"tls_cert": c.Page.Cert, "tls_key": c.Page.Key} {
		if file == "" {
			continue
		}
		if err := readable(c.TokenPath(file)); err != nil {
			d.fail("page."+key, file, fmt.Sprintf("%q cannot be read: %s", file, cause(err)), "want a file in PEM that the daemon may read; a relative path counts from the folder of this config")
		}
	}
	for i, a := range c.Alerts {
		key := "token_file"
		if a.Kind == "mail" {
			key = "password_file"
		}
		c.lookAtToken(fmt.Sprintf("alert[%d].%s", i, key), a.TokenFile)
		c.lookAtToken(fmt.Sprintf("alert[%d].user_file", i), a.UserFile)
	}
	if c.Beat != nil {
		c.lookAtToken("heartbeat.token_file", c.Beat.TokenFile)
	}
	if c.Mirror != nil {
		c.lookAtToken("mirror.token_file", c.Mirror.TokenFile)
	}
	if c.Outdoor != nil { // the file itself may come later: something else writes it
		c.lookAtToken("outdoor_forecast.token_file", c.Outdoor.TokenFile)
	}
	if _, _, err := c.LoadWorkshop(); err != nil {
		d.adopt("record.workshop", c.Record.Workshop, err)
	}
	c.lookAtWireless()
}

func (c Config) lookAtToken(path, file string) {
	if file == "" {
		return
	}
	if _, err := c.Token(file); err != nil { // the name is not repeated: somebody may have put the secret itself there
		c.doc.fail(path, nil, strings.TrimPrefix(err.Error(), "config: "), "want "+tokenFileWant)
		return
	}
	if st, err := os.Stat(c.TokenPath(file)); err == nil && st.Mode().Perm()&0o077 != 0 {
		c.doc.warn(path, fmt.Sprintf("%q can be read by others (mode %04o)", file, st.Mode().Perm()), "chmod 600 "+file)
	}
}

func readable(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	if st, err := f.Stat(); err != nil || st.IsDir() {
		return errors.Join(err, &fs.PathError{Op: "open", Path: path, Err: errors.New("is a folder")})
	}
	return nil
}

// readLimited reads a whole file of at most maxFile bytes and one: whatever is larger is refused by the parser.
func readLimited(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, maxFile+1))
}

// withoutPath takes the path out of an error, and leaves what can be asked of it.
func withoutPath(err error) error {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err
	}
	return err
}

// cause is an error without the path that stands beside it already.
func cause(err error) string {
	var pe *fs.PathError
	if errors.As(err, &pe) {
		return pe.Err.Error()
	}
	return err.Error()
}
