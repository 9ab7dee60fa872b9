package config

import (
	"fmt"
	"net/url"
	"slices"
	"strings"
)

// alertKinds says which keys each way of telling needs and which it may have.
var alertKinds = map[string]struct{ needs, may []string }{
	"log":     {},
	"webhook": {needs: []string{"url"}, may: []string{"token_file"}},
	"ntfy":    {needs: []string{"url", "topic"}, may: []string{"token_file"}},
}

func alertKindNames() []string { return []string{"log", "ntfy", "webhook"} }

func parseAlerts(top *section) []Alert {
	var all []Alert
	names := map[string]place{}
	for _, s := range top.tables("alert") {
		a := Alert{Name: s.need("name", "a name of its own, such as \"my phone\"")}
		s.once(names, a.Name, "alert")
		if s.has("kind") {
			a.Kind = s.choice("kind", "", alertKindNames())
		} else {
			s.need("kind", "one of "+strings.Join(alertKindNames(), ", "))
		}
		a.Min = s.choice("min", "notice", Severities())
		if q, ok := s.table("quiet"); ok {
			a.Quiet = q.quiet()
		}
		s.noSecrets()
		k, ok := alertKinds[a.Kind]
		if !ok {
			continue
		}
		s.taken = mergeText(s.taken, elsewhere(a.Kind, append(slices.Clone(k.needs), k.may...)))
		for _, key := range k.needs {
			if !s.has(key) {
				s.need(key, fmt.Sprintf("one: a way of kind %s needs it", a.Kind))
			}
		}
		if slices.Contains(k.needs, "url") {
			a.URL = s.address("url")
		}
		if slices.Contains(k.needs, "topic") {
			a.Topic = s.text("topic", "", "the topic that the phone listens to")
			if strings.ContainsAny(a.Topic, "/ ?#") {
				s.fail("topic", fmt.Sprintf("%q has a blank or one of / ? #", a.Topic), "want one word, hard to guess")
			}
		}
		if slices.Contains(k.may, "token_file") {
			a.TokenFile = s.text("token_file", "", tokenFileWant)
		}
		s.done()
		all = append(all, a)
	}
	return all
}

// quiet reads the hours in which a phone is left alone.
func (s *section) quiet() *Quiet {
	q := Quiet{FromMin: s.minute("from", 22*60), ToMin: s.minute("to", 6*60)}
	if q.FromMin == q.ToMin {
		s.fail("to", "is the same as from", "want an end that is not the start")
	}
	q.Passes = s.choice("passes", "critical", Severities())
	if q.Wake = s.m["windows"] == "wake"; q.Wake {
		s.get("windows")
	} else {
		q.WindowsMin = s.minute("windows", q.ToMin)
		span := func(m int64) int64 { return (m - q.FromMin + 24*60) % (24 * 60) }
		if span(q.WindowsMin) < span(q.ToMin) {
			s.fail("windows", "lies within the quiet hours", `want "wake", or a time of day at or after their end`)
		}
	}
	s.done()
	return &q
}

// minute is clockTime without 24:00.
func (s *section) minute(key string, def int64) int64 {
	m := s.clockTime(key, def)
	if m == 24*60 {
		s.fail(key, "24:00 is no start of anything", `want "00:00"`)
		return def
	}
	return m
}

const tokenFileWant = "the path of a file that holds the token and nothing else"

func elsewhere(kindName string, has []string) map[string]string {
	out := map[string]string{}
	for _, key := range []string{"url", "topic", "token_file"} {
		if !slices.Contains(has, key) {
			out[key] = fmt.Sprintf("a way of kind %s has no %s", kindName, key)
		}
	}
	return out
}

func mergeText(a, b map[string]string) map[string]string {
	if a == nil {
		a = map[string]string{}
	}
	for k, v := range b {
		if _, ok := a[k]; !ok {
			a[k] = v
		}
	}
	return a
}

// noSecrets prepares the message for a secret that stands in the file itself. Its value is never repeated.
func (s *section) noSecrets() {
	s.taken = mergeText(s.taken, nil)
	for _, key := range []string{"token", "password", "pass", "passwd", "secret", "key", "api_key", "apikey", "auth", "bearer"} {
		s.taken[key] = "secrets never stand in this file: put it alone into a file that only the daemon can read, and give its path as token_file"
	}
}

// address gives an http or https URL without a password in it.
func (s *section) address(key string) string {
	t := s.text(key, "", "an address such as \"https://example.org/hook\"")
	if t == "" {
		return ""
	}
	u, err := url.Parse(t)
	switch {
	case err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "":
		wrong := "is no web address"
		if !strings.Contains(t, "@") { // there may be a secret in it
			wrong = fmt.Sprintf("%q %s", t, wrong)
		}
		s.d.fail(s.sub(key), nil, wrong, "want http:// or https://, a host and a path")
		return ""
	case u.User != nil:
		s.d.fail(s.sub(key), nil, "has a name or password in it", "secrets never stand in this file: put it into a file and give its path as token_file")
		return ""
	}
	return strings.TrimSuffix(t, "/")
}

func parseMirror(top *section) *Mirror {
	s, ok := top.table("mirror")
	if !ok {
		return nil
	}
	s.noSecrets()
	if !s.has("url") {
		s.need("url", "the address of the InfluxDB server, such as \"http://127.0.0.1:8086\"")
	}
	m := &Mirror{URL: s.address("url"), Org: s.text("org", "", "the organisation"), Bucket: s.need("bucket", "the bucket; database/policy for InfluxDB 1.8"),
		TokenFile: s.text("token_file", "", tokenFileWant)}
	s.done()
	return m
}
