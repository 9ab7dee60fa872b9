package config

import (
	"time"

	"tackline/advisor/units/quantity"
)

// Building is the shed as a builder can measure it, for what holding it warm takes. All of them are given, or there is no Building.
type Building struct {
	VolumeM3   float64
	EnvelopeM2 float64 // walls, roof and floor
	UValue     float64 // of those, W/(m2 K)
	AirChanges float64 // an hour
}

func parseBuilding(top *section) *Building {
	s, ok := top.table("building")
	if !ok {
		return nil
	}
	for _, key := range []string{"volume_m3", "envelope_m2", "u_value_w_m2k", "air_changes_h"} {
		if !s.has(key) {
			s.get(key)
			s.d.fail(s.path, nil, "has no "+key, "want volume_m3, envelope_m2 (walls, roof and floor), u_value_w_m2k (a single skin of boards or sheet 3 to 6, insulated 0.3 to 0.6) and air_changes_h")
			break
		}
	}
	b := &Building{VolumeM3: s.number("volume_m3", quantity.Ratio(), 1, 1, 1e5), EnvelopeM2: s.number("envelope_m2", quantity.Area(), 1, 1, 1e5),
		UValue: s.number("u_value_w_m2k", quantity.Ratio(), 1, 0.05, 10), AirChanges: s.number("air_changes_h", quantity.Ratio(), 1, 0, 60)}
	s.done()
	return b
}

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
