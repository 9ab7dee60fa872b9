package dashboard

import (
	"context"
	"net/http"
	"strconv"
	"time"
)

// Settings is what the page Settings shows and does beside commands of the job book.
type Settings interface {
	Settings(ctx context.Context) (SettingsView, error)
	// Revoke takes a phone's rights away; its error wraps ErrNotFound for one that is not paired.
	Revoke(ctx context.Context, phone int64) error
	// Pass makes a code that pairs one phone; a *Refusal names a field to mend.
	Pass(ctx context.Context, o PhoneOffer) (PhonePass, error)
	// ShowAs has a visitor without a person of her own see numbers as a person does; 0 as they are. It gives no right.
	ShowAs(w http.ResponseWriter, r *http.Request, person int64)
}

// SettingsView is how the shed is set.
type SettingsView struct {
	Limits        []ShedLimit
	Ways          []SettingWay
	People        []SettingPerson
	Phones        []SettingPhone
	ReadingPaired bool
}

// ShedLimit is a limit of the shed with the text of its source.
type ShedLimit struct {
	Name   string // as set-limit knows it: margin_k ...
	Value  float64
	Unit   string
	Source string
	Saw    int64 // number of the entry that is in force, 0 for the config's
}

// SettingWay is a way of telling.
type SettingWay struct {
	Name, Kind, Min string // Min is the least severity that goes this way, "" for all
	Quiet           *SettingQuiet
}

// SettingQuiet are quiet hours: minutes after midnight.
type SettingQuiet struct {
	FromMin, ToMin int64
	Passes         string // this severity and above go out all the same
}

// SettingPerson is a person who works here, and how she wants numbers told.
type SettingPerson struct {
	ID, Rev          int64
	Name             string
	StartMin, EndMin int64
	Shows            Shows
}

// SettingPhone is a paired phone.
type SettingPhone struct {
	ID        int64
	Name, Who string
	May       string    // read, write, admin
	Seen      time.Time // zero: not yet
}

type settingsPage struct {
	base
	Units   []unitChoice
	Me      *SettingPerson
	Key     string
	ShowAs  []choice
	Limits  []limitSetting
	Systems []systemSetting
	Ways    []wayRow
	Telling []telling
	People  []string
	Whose   []choice // whom a phone may be for
	Phones  []phoneSetting
	Access  string
	Paired  bool // this phone is
	Admin   bool
}

type unitChoice struct {
	Name, Legend string
	Choices      []choice
}

type limitSetting struct {
	Label, Value, Unit, Source string
	Name                       string
	Typed                      string // as set-limit takes it
	Saw                        int64
	Key                        string
}

type systemSetting struct{ Name, Source, Lowest, RH string }

type telling struct{ Name, Kind, What string }

type phoneSetting struct {
	ID                   int64
	Name, Who, May, Seen string
	This                 bool
}

func (h *Handler) settingsRoutes() []Route {
	if h.o.Settings == nil {
		return nil
	}
	return []Route{
		{Method: "GET", Path: "/settings", Role: Read, Handle: h.getSettings},
		{Method: "POST", Path: "/settings/shows", Role: Read, Handle: h.postShows},
		{Method: "POST", Path: "/settings/pair", Role: Admin, Handle: h.postPass},
		{Method: "POST", Path: "/settings/phones/{id}/revoke", Role: Admin, Handle: h.postRevoke},
	}
}

func (h *Handler) getSettings(w http.ResponseWriter, r *http.Request) {
	v, stale, ok := h.now(w, r, "/settings")
	if !ok {
		return
	}
	s, err := h.o.Settings.Settings(r.Context())
	if err != nil {
		h.o.Log.Error("dashboard: settings not read", "err", err)
		h.fail(w, r, http.StatusServiceUnavailable, "/settings", h.tx.get("error_now"), h.tx.get("error_now_why"), "", true)
		return
	}
	h.render(w, r, http.StatusOK, "settings", h.settingsPage(v, s, stale))
}

func (h *Handler) settingsPage(v View, s SettingsView, stale bool) settingsPage {
	me := v.visitor
	p := settingsPage{base: h.base(v, stale, h.tx.get("title_settings"), "/settings"), Key: h.o.Key(), Paired: me.Phone != 0, Admin: me.Can(Admin), Access: h.tx.get("settings_reading_open")}
	p.Refresh, p.Live = false, false
	if s.ReadingPaired {
		p.Access = h.tx.get("settings_reading_paired")
	}
	for _, x := range s.People {
		if x.ID == me.Person {
			p.Me = &x
			p.Units = h.unitChoices(x.Shows)
		} else if me.Person == 0 {
			p.ShowAs = append(p.ShowAs, choice{Value: strconv.FormatInt(x.ID, 10), Text: x.Name})
		}
		p.Whose = append(p.Whose, choice{Value: strconv.FormatInt(x.ID, 10), Text: x.Name})
		p.People = append(p.People, h.tx.get("settings_person", x.Name, hour(x.StartMin), hour(x.EndMin)))
	}
	for _, l := range s.Limits {
		digits := 0
		if l.Unit == "K" {
			digits = 1
		}
		p.Limits = append(p.Limits, limitSetting{Label: h.tx.get("limit_" + l.Name), Value: number(l.Value, digits), Unit: l.Unit, Source: l.Source, Name: l.Name, Typed: trim(l.Value), Saw: l.Saw, Key: h.o.Key()})
	}
	for _, x := range v.Systems {
		if x.Full != nil {
			row := systemSetting{Name: x.Name, Source: x.Source, Lowest: number(x.Full.LowestC, 0)}
			if rh := x.Full.HighestSurfaceRHPct; rh > 0 {
				row.RH = number(rh, 0)
			}
			p.Systems = append(p.Systems, row)
		}
	}
	for _, x := range s.Ways {
		what := h.tx.get("settings_all")
		if x.Min != "" && x.Min != "notice" {
			what = h.tx.get("settings_from", h.tx.get("severity_"+x.Min))
		}
		if q := x.Quiet; q != nil {
			what += " " + h.tx.get("settings_quiet", hour(q.FromMin), hour(q.ToMin))
			if q.Passes != "" {
				what += " " + h.tx.get("settings_passes", h.tx.get("severity_"+q.Passes))
			}
		}
		p.Telling = append(p.Telling, telling{x.Name, x.Kind, what})
	}
	if me.Can(Write) {
		for _, x := range s.Phones {
			row := phoneSetting{ID: x.ID, Name: x.Name, Who: x.Who, May: h.tx.get("may_" + x.May), Seen: h.tx.get("settings_unused"), This: x.ID == me.Phone}
			if !x.Seen.IsZero() {
				row.Seen = h.tx.get("settings_seen", x.Seen.In(v.Zone).Format("2 Jan 2006 15:04"))
			}
			p.Phones = append(p.Phones, row)
		}
	}
	return p
}

func hour(min int64) string {
	return time.Date(2000, 1, 1, int(min/60), int(min%60), 0, 0, time.UTC).Format("15:04")
}

// unitChoices gives the questions of the form, as set-units names them.
func (h *Handler) unitChoices(s Shows) []unitChoice {
	two := func(name string, second bool, a, b string) unitChoice {
		return unitChoice{Name: name, Legend: h.tx.get("shows_" + name), Choices: []choice{{Value: a, Text: h.tx.get("shows_" + a), On: !second}, {Value: b, Text: h.tx.get("shows_" + b), On: second}}}
	}
	return []unitChoice{two("temperature", s.Fahrenheit, "C", "F"), two("mass", s.Ounces, "g", "oz"), two("area", s.SquareFeet, "m2", "ft2"), two("length", s.Inches, "mm", "in"),
		two("pressure", s.InchesHg, "hPa", "inHg"), two("decimal", s.Comma, "point", "comma")}
}

func (h *Handler) postShows(w http.ResponseWriter, r *http.Request) {
	id, err := strconv.ParseInt(r.PostFormValue("person"), 10, 64)
	if err != nil {
		id = 0
	}
	h.o.Settings.ShowAs(w, r, id)
	h.settled(w, r, nil)
}

func (h *Handler) postRevoke(w http.ResponseWriter, r *http.Request) {
	id, err := pathID(r)
	if err == nil {
		err = h.o.Settings.Revoke(r.Context(), id)
	}
	h.settled(w, r, err)
}

// settled goes back to the settings, or says why nothing was done.
func (h *Handler) settled(w http.ResponseWriter, r *http.Request, err error) {
	if err == nil {
		http.Redirect(w, r, "/settings", http.StatusSeeOther)
		return
	}
	status, _, why := h.explain(r, err)
	h.fail(w, r, status, "/settings", h.tx.get("error_kept"), why, "/settings", false)
}
