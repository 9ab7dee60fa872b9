package config

import (
	"time"
)

// OutdoorForecast says where a forecast of the weather outdoors comes from, and how its fields are named. Exactly one of URL and File is set.
type OutdoorForecast struct {
	URL, File    string
	TokenFile    string // "" where none is needed
	Times        string // path of the times in the JSON, such as "hourly.time"
	Air, RH      string // of air temperature and relative humidity; RH "" where there is none
	Unit         string // of the temperatures: C, F or K
	Zone         *time.Location
	Every, Stale time.Duration // how often it is got, and how old it may be and still be used
}

func parseOutdoorForecast(top *section, shed Shed) *OutdoorForecast {
	s, ok := top.table("outdoor_forecast")
	if !ok {
		return nil
	}
	s.noSecrets()
	o := &OutdoorForecast{Zone: shed.Zone}
	s.get("url")
	switch {
	case s.has("url") && s.has("file"):
		s.fail("file", "stands beside url", "want one of them")
		s.get("file")
	case s.has("file"):
		o.File = s.text("file", "", "the path of a JSON file")
	case s.has("url"):
		o.URL = s.address("url")
	default:
		s.get("file")
		s.d.fail(s.path, nil, "has neither url nor file", `want the address of an open weather service, such as url = "https://weather.example.org/hourly?lat=38.7&lon=-9.1", or file = "outdoors.json"`)
	}
	const path = `a path in the JSON, such as "hourly.time"`
	o.Times, o.Air, o.RH = s.need("times", path), s.need("air", path), s.text("rh", "", path)
	o.Unit = s.choice("unit", "C", []string{"C", "F", "K"})
	o.Zone, _ = s.zone("zone", shed.Zone, "")
	o.TokenFile = s.text("token_file", "", tokenFileWant)
	o.Every = s.length("every", time.Hour, 5*time.Minute, 24*time.Hour)
	o.Stale = s.length("stale_after", 12*time.Hour, time.Hour, 3*24*time.Hour)
	if o.Stale < o.Every {
		s.d.fail(s.path, nil, "is stale before it is got again", "want stale_after not shorter than every")
	}
	s.done()
	return o
}
