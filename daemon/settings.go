package daemon

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"tackline/daemon/access"
	"tackline/daemon/jobbook"
	"tackline/dashboard"
)

// showsCookie names the person as whom a visitor who is not paired sees numbers. It is no secret and gives no right.
const showsCookie = "tackline-shows"

// settings is what the page Settings stands on.
type settings struct{ d *Daemon }

var _ dashboard.Settings = settings{}

// Settings does as dashboard.Settings says.
func (s settings) Settings(ctx context.Context) (dashboard.SettingsView, error) {
	d := s.d
	facts, err := d.book.State(ctx)
	if err != nil {
		return dashboard.SettingsView{}, err
	}
	c := &d.o.Config
	out := dashboard.SettingsView{ReadingPaired: c.Access.ReadingPaired}
	out.Limits = []dashboard.ShedLimit{
		{Name: "margin_k", Value: float64(c.Limits.MarginK), Unit: "K", Source: c.Limits.MarginSource},
		{Name: "moisture_good_pct", Value: float64(c.Limits.MoistureGoodPct), Unit: "%", Source: c.Limits.MoistureSource},
		{Name: "moisture_stop_pct", Value: float64(c.Limits.MoistureStopPct), Unit: "%", Source: c.Limits.MoistureSource},
		{Name: "resin_lowest_c", Value: float64(c.Limits.ResinLowestC), Unit: "C", Source: c.Limits.ResinSource}}
	for i := range out.Limits {
		l := &out.Limits[i]
		for _, set := range facts.Limits {
			if set.Name == l.Name {
				l.Value, l.Source, l.Saw = set.Value, fmt.Sprintf("%s, set by %s", set.Source, set.Who), set.ID
			}
		}
	}
	for _, a := range c.Alerts {
		way := dashboard.SettingWay{Name: a.Name, Kind: a.Kind, Min: a.Min}
		if a.Quiet != nil {
			way.Quiet = &dashboard.SettingQuiet{FromMin: a.Quiet.FromMin, ToMin: a.Quiet.ToMin, Passes: a.Quiet.Passes}
		}
		out.Ways = append(out.Ways, way)
	}
	for _, p := range facts.People {
		out.People = append(out.People, dashboard.SettingPerson{ID: p.ID, Rev: p.Rev, Name: p.Name, StartMin: p.StartMin, EndMin: p.EndMin, Shows: showsOf(p.Shows)})
	}
	for _, p := range d.door.phones.List() {
		out.Phones = append(out.Phones, dashboard.SettingPhone{ID: p.ID, Name: p.Name, Who: d.door.person(ctx, p.Person), May: p.May, Seen: at(p.Seen)})
	}
	return out, nil
}

func showsOf(s jobbook.Shows) dashboard.Shows {
	return dashboard.Shows{Fahrenheit: s.Temperature == "F", Ounces: s.Mass == "oz", SquareFeet: s.Area == "ft2", Inches: s.Length == "in", InchesHg: s.Pressure == "inHg", Comma: s.Decimal == "comma"}
}

// Revoke does as dashboard.Settings says.
func (s settings) Revoke(_ context.Context, phone int64) error {
	gone, err := s.d.door.phones.Revoke(phone)
	if errors.Is(err, access.ErrNoPhone) {
		return fmt.Errorf("phone %d: %w", phone, dashboard.ErrNotFound)
	}
	if err == nil {
		s.d.log.Info("a phone's rights were taken away", "phone", gone.Name, "number", gone.ID)
	}
	return err
}

// Pass does as dashboard.Settings says.
func (s settings) Pass(ctx context.Context, o dashboard.PhoneOffer) (dashboard.PhonePass, error) {
	if o.Person != 0 {
		facts, err := s.d.book.State(ctx)
		if err != nil {
			return dashboard.PhonePass{}, err
		}
		if !slices.ContainsFunc(facts.People, func(p jobbook.Person) bool { return p.ID == o.Person }) {
			return dashboard.PhonePass{}, &dashboard.Refusal{Field: "person", Sentence: fmt.Sprintf("nobody in the job book has the number %d", o.Person)}
		}
	}
	pass, err := s.d.pass(o)
	if err != nil {
		return pass, &dashboard.Refusal{Sentence: strings.TrimPrefix(err.Error(), "access: ")}
	}
	return pass, nil
}

// ShowAs does as dashboard.Settings says.
func (s settings) ShowAs(w http.ResponseWriter, r *http.Request, person int64) {
	c := &http.Cookie{Name: showsCookie, Value: strconv.FormatInt(person, 10), Path: "/", HttpOnly: true, SameSite: http.SameSiteLaxMode, MaxAge: int(cookieFor.Seconds()), Secure: s.d.door.caller(r).Secure}
	if person == 0 {
		c.MaxAge = -1
	}
	http.SetCookie(w, c)
}

// shows gives how numbers are told to a person of the job book, or to whoever chose to see them as that person does.
func (o *door) shows(r *http.Request, person int64) dashboard.Shows {
	if person == 0 {
		c, err := r.Cookie(showsCookie)
		if err != nil {
			return dashboard.Shows{}
		}
		if person, err = strconv.ParseInt(c.Value, 10, 64); err != nil {
			return dashboard.Shows{}
		}
	}
	facts, err := o.d.book.State(r.Context())
	if err != nil {
		return dashboard.Shows{}
	}
	for _, p := range facts.People {
		if p.ID == person {
			return showsOf(p.Shows)
		}
	}
	return dashboard.Shows{}
}
