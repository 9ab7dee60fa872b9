package config

import (
	"fmt"
	"maps"
	"net/mail"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// alertKinds says which keys each way of telling needs and which it may have.
var alertKinds = map[string]struct{ needs, may []string }{
	"log":      {},
	"webhook":  {needs: []string{"url"}, may: []string{"token_file"}},
	"ntfy":     {needs: []string{"url", "topic"}, may: []string{"token_file"}},
	"gotify":   {needs: []string{"url", "token_file"}},
	"telegram": {needs: []string{"token_file", "chat"}, may: []string{"url"}},
	"pushover": {needs: []string{"token_file", "user_file"}, may: []string{"url"}},
	"matrix":   {needs: []string{"url", "token_file", "room"}},
	"mail":     {needs: []string{"host", "from", "to"}, may: []string{"port", "tls", "user", "password_file"}},
	"command":  {needs: []string{"program"}, may: []string{"args"}},
	"mqtt":     {needs: []string{"broker", "topic"}, may: []string{"user", "password_file", "ca_file", "client"}},
	"gpio":     {needs: []string{"pin"}, may: []string{"device", "active_low", "for"}},
}

// alertKeys reads each key of a way of telling into it.
var alertKeys = map[string]func(*section, *Alert){
	"url": func(s *section, a *Alert) { a.URL = s.address("url") },
	"topic": func(s *section, a *Alert) {
		if a.Kind == "mqtt" {
			if a.Topic = s.text("topic", "", `a topic such as "yard/alert"`); strings.ContainsAny(a.Topic, "+#") {
				s.fail("topic", fmt.Sprintf("%q has a wildcard", a.Topic), `want one topic, such as "yard/alert"`)
			}
			return
		}
		a.Topic = s.text("topic", "", "the topic that the phone listens to")
		if strings.ContainsAny(a.Topic, "/ ?#") {
			s.fail("topic", fmt.Sprintf("%q has a blank or one of / ? #", a.Topic), "want one word, hard to guess")
		}
	},
	"token_file":    func(s *section, a *Alert) { a.TokenFile = s.text("token_file", "", tokenFileWant) },
	"password_file": func(s *section, a *Alert) { a.TokenFile = s.text("password_file", "", tokenFileWant) },
	"user_file":     func(s *section, a *Alert) { a.UserFile = s.text("user_file", "", tokenFileWant) },
	"chat": func(s *section, a *Alert) {
		a.Chat = s.text("chat", "", `the number of the chat as text, or "@name" of a channel`)
	},
	"room": func(s *section, a *Alert) {
		a.Room = s.text("room", "", `the room's own id, such as "!abc:example.org"`)
	},
	"host": func(s *section, a *Alert) {
		a.Mail.Host = s.text("host", "", `the mail server, such as "mail.example.org"`)
	},
	"port": func(s *section, a *Alert) { a.Mail.Port = s.whole("port", 0, 1, 65535) },
	"tls": func(s *section, a *Alert) {
		a.Mail.Security = s.choice("tls", "starttls", []string{"starttls", "implicit", "none"})
	},
	"user": func(s *section, a *Alert) { a.Mail.User = s.text("user", "", "the name to log in with") },
	"broker": func(s *section, a *Alert) {
		a.Broker = s.text("broker", "", `the broker's address, such as "mqtt://127.0.0.1:1883" or "mqtts://broker.example.org:8883"`)
		if err := brokerAddress(a.Broker); a.Broker != "" && err != nil {
			s.d.fail(s.sub("broker"), nil, "is no address of a broker", `want mqtt://host:1883, or mqtts://host:8883; the user stands under user, the password in a file`)
		}
	},
	"ca_file": func(s *section, a *Alert) {
		a.CAFile = s.text("ca_file", "", "a PEM file of the broker's certificate authority")
	},
	"client": func(s *section, a *Alert) { a.Client = s.text("client", "", "a client id of its own") },
	"pin":    func(s *section, a *Alert) { a.Pin.Name = s.text("pin", "", `the pin's name, such as "GPIO17"`) },
	"device": func(s *section, a *Alert) {
		a.Pin.Device = s.choice("device", "lamp", []string{"lamp", "buzzer"})
	},
	"active_low": func(s *section, a *Alert) { a.Pin.ActiveLow = s.flag("active_low", false) },
	"for":        func(s *section, a *Alert) { a.Pin.For = s.length("for", 30*time.Second, time.Second, time.Hour) },
	"from":       func(s *section, a *Alert) { a.Mail.From = s.letter("from") },
	"to":         func(s *section, a *Alert) { a.Mail.To = s.letter("to") },
	"program": func(s *section, a *Alert) {
		if a.Program = s.text("program", "", "the absolute path of a program"); a.Program != "" && !filepath.IsAbs(a.Program) {
			s.fail("program", fmt.Sprintf("%q is no absolute path", a.Program), "want one that begins with /")
		}
	},
	"args": func(s *section, a *Alert) {
		a.Args = s.words("args", nil, "a list of texts, handed to the program as they are; never a secret")
	},
}

// AlertKinds lists the ways of telling in alphabetical order.
func AlertKinds() []string { return slices.Sorted(maps.Keys(alertKinds)) }

// letter is a mail address.
func (s *section) letter(key string) string {
	v := s.text(key, "", `a mail address such as "shed@example.org"`)
	if v == "" {
		return ""
	}
	if _, err := mail.ParseAddress(v); err != nil {
		s.fail(key, fmt.Sprintf("%q is no mail address", v), `want one such as "shed@example.org" or "Shed <shed@example.org>"`)
	}
	return v
}

func parseAlerts(top *section) []Alert {
	var all []Alert
	names := map[string]place{}
	for _, s := range top.tables("alert") {
		a := Alert{Name: s.need("name", "a name of its own, such as \"my phone\"")}
		s.once(names, a.Name, "alert")
		if s.has("kind") {
			a.Kind = s.choice("kind", "", AlertKinds())
		} else {
			s.need("kind", "one of "+strings.Join(AlertKinds(), ", "))
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
		for _, key := range append(slices.Clone(k.needs), k.may...) {
			if s.get(key); s.has(key) || key == "tls" {
				alertKeys[key](s, &a)
			}
		}
		switch a.Kind {
		case "mail":
			s.mailTogether(a)
		case "mqtt":
			s.withPassword(a)
		}
		s.done()
		all = append(all, a)
	}
	return all
}

// withPassword tells whether user and password stand together.
func (s *section) withPassword(a Alert) bool {
	if (a.Mail.User == "") == (a.TokenFile == "") {
		return true
	}
	key := "user"
	if a.Mail.User == "" {
		key = "password_file"
	}
	s.fail(key, "stands alone", "want user and password_file both, or neither")
	return false
}

// mailTogether looks at what of a mail goes with what.
func (s *section) mailTogether(a Alert) {
	if s.withPassword(a) && a.Mail.Security == "none" && a.TokenFile != "" {
		s.fail("tls", "would send the password for all to read", `want "starttls" or "implicit", or no password_file`)
	}
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
	for key := range alertKeys {
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

func parseAllWell(top *section) *AllWell {
	s, ok := top.table("all_well")
	if !ok {
		return nil
	}
	if !s.has("at") {
		s.need("at", "the time of day at which it is said, such as \"07:30\"")
	}
	w := &AllWell{AtMin: s.minute("at", 7*60+30)}
	s.done()
	return w
}

func parseHeartbeat(top *section) *Heartbeat {
	s, ok := top.table("heartbeat")
	if !ok {
		return nil
	}
	s.noSecrets()
	if !s.has("url") {
		s.need("url", "the address to call as long as readings are stored, such as \"https://example.org/shed-is-alive\"")
	}
	b := &Heartbeat{URL: s.address("url"), Every: s.length("every", 5*time.Minute, time.Minute, 24*time.Hour), TokenFile: s.text("token_file", "", tokenFileWant)}
	s.done()
	return b
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
