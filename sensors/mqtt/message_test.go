package mqtt

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"tackline/sensors"
)

func climate() Topic {
	return Topic{Filter: "yard/+/climate", NodeLevel: 2, Time: "/time", Age: "/age_s",
		Fields: []Field{{sensors.Temperature, "/t", ""}, {sensors.Humidity, "/rh", ""}, {sensors.Pressure, "/p", "Pa"}}}
}

// The filters and topics are examples of MQTT 5 (OASIS Standard, 2019), sections 4.7.1.2, 4.7.1.3 and 4.7.2.
func TestFiltersMatchAsTheStandardSays(t *testing.T) {
	for _, c := range []struct {
		filter, topic string
		want          bool
	}{
		{"sport/tennis/player1/#", "sport/tennis/player1", true}, {"sport/tennis/player1/#", "sport/tennis/player1/ranking", true},
		{"sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", true}, {"sport/#", "sport", true}, {"#", "a/b", true},
		{"sport/tennis/+", "sport/tennis/player1", true}, {"sport/tennis/+", "sport/tennis/player1/ranking", false},
		{"sport/+", "sport", false}, {"sport/+", "sport/", true}, {"+/+", "/finance", true}, {"/+", "/finance", true}, {"+", "/finance", false},
		{"#", "$SYS/x", false}, {"+/monitor/Clients", "$SYS/monitor/Clients", false}, {"$SYS/#", "$SYS/x", true},
	} {
		require.Equal(t, c.want, matches(c.filter, c.topic), "%s %s", c.filter, c.topic)
	}
}

// The document, pointers and values are those of RFC 6901, section 5.
func TestPointersPointAsTheStandardSays(t *testing.T) {
	doc, err := parse([]byte(`{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8}`))
	require.NoError(t, err)
	for p, want := range map[string]string{"/foo/0": "bar", "/": "0", "/a~1b": "1", "/c%d": "2", "/e^f": "3", "/g|h": "4", "/i\\j": "5", "/k\"l": "6", "/ ": "7", "/m~0n": "8"} {
		require.NoError(t, CheckPointer(p))
		v, ok := at(doc, p)
		require.True(t, ok, p)
		require.Equal(t, want, text(v), p)
	}
	for _, p := range []string{"/foo/2", "/foo/-", "/foo/00", "/foo/bar", "/none", "/a~1b/c"} {
		_, ok := at(doc, p)
		require.False(t, ok, p)
	}
	for _, p := range []string{"foo", "/a~", "/a~2"} {
		require.Error(t, CheckPointer(p), p)
	}
}

func TestMessages(t *testing.T) {
	temp := func(v float64) sensors.Reading { return sensors.Reading{Quantity: sensors.Temperature, Value: v} }
	when := time.Date(2026, 1, 14, 6, 30, 0, 0, time.UTC)
	for name, c := range map[string]struct {
		payload string
		want    []sensors.Reading
		problem string
	}{
		"all":                      {`{"t":12.5,"rh":71,"p":101325}`, []sensors.Reading{temp(12.5), {Quantity: sensors.Humidity, Value: 71}, {Quantity: sensors.Pressure, Value: 1013.25}}, ""},
		"numbers as text":          {`{"t":"12.5"}`, []sensors.Reading{temp(12.5)}, ""},
		"unknown is missing":       {`{"t":"unavailable","rh":null,"p":"NaN"}`, nil, ""},
		"one of them is no number": {`{"t":12.5,"rh":"wet"}`, []sensors.Reading{temp(12.5)}, `rh_pct: "wet" is no number`},
		"no JSON":                  {`{"t":12.5`, nil, "no JSON"},
		"empty":                    {` `, nil, "an empty message"},
		"too large a number":       {`{"t":1e300}`, nil, `temp_c: "1e300" is no number`},
		"seconds":                  {`{"t":1,"time":1768372200}`, []sensors.Reading{{Quantity: sensors.Temperature, Value: 1, At: when}}, ""},
		"milliseconds":             {`{"t":1,"time":"1768372200000"}`, []sensors.Reading{{Quantity: sensors.Temperature, Value: 1, At: when}}, ""},
		"RFC 3339":                 {`{"t":1,"time":"2026-01-14T07:30:00+01:00"}`, []sensors.Reading{{Quantity: sensors.Temperature, Value: 1, At: when}}, ""},
		"no offset":                {`{"t":1,"time":"2026-01-14T07:30:00"}`, nil, `time: "2026-01-14T07:30:00" is no time: want RFC 3339 with its offset, or seconds or milliseconds since 1970`},
		"a clock that was not set": {`{"t":1,"time":17,"age_s":60}`, []sensors.Reading{{Quantity: sensors.Temperature, Value: 1, Age: time.Minute}}, ""},
		"age":                      {`{"t":1,"age_s":90.5}`, []sensors.Reading{{Quantity: sensors.Temperature, Value: 1, Age: 90500 * time.Millisecond}}, ""},
		"age below nothing":        {`{"t":1,"age_s":-1}`, nil, `age: "-1" is no number of seconds from 0 to 400 days`},
		"a time far ahead":         {`{"t":1,"time":99999999999}`, nil, `time: "99999999999" is no time from 1970 to 2100`},
	} {
		m, err := climate().read("yard/a4/climate", []byte(c.payload))
		require.NoError(t, err, name)
		require.Equal(t, "a4", m.number, name)
		require.Equal(t, c.want, m.readings, name)
		require.Equal(t, c.problem, m.problem, name)
	}
	_, err := climate().read("yard", []byte(`{}`))
	require.ErrorContains(t, err, "no level 2")
}

func TestNumbersInTheMessageAndBareMessages(t *testing.T) {
	in := Topic{Filter: "radio/#", Node: "/id", Time: None, Age: None, Fields: []Field{{sensors.Temperature, "/temperature", "F"}}}
	require.NoError(t, in.Check())
	m, err := in.read("radio/x", []byte(`{"id":77,"temperature":50}`))
	require.NoError(t, err)
	require.Equal(t, "77", m.number)
	require.InDelta(t, 10, m.readings[0].Value, 1e-12)
	for _, bad := range []string{`{"temperature":50}`, `50`, `{"id":`, ``} {
		_, err = in.read("radio/x", []byte(bad))
		require.Error(t, err, bad)
	}
	bare := Topic{Filter: "yard/+/+/temperature", NodeLevel: 3, Time: None, Age: None, Fields: []Field{{sensors.Temperature, "", ""}}}
	m, err = bare.read("yard/shed/7/temperature", []byte("12.5\n"))
	require.NoError(t, err)
	require.Equal(t, "7", m.number)
	require.InDelta(t, 12.5, m.readings[0].Value, 0)
	online := Topic{Filter: "yard/+/there", NodeLevel: 2, Online: true}
	for word, want := range map[string]bool{"online": true, "Offline": false, "1": true, "false": false} {
		m, err = online.read("yard/7/there", []byte(word))
		require.NoError(t, err)
		require.Equal(t, want, *m.online, word)
	}
	m, err = online.read("yard/7/there", []byte("perhaps"))
	require.NoError(t, err)
	require.Nil(t, m.online)
	require.Contains(t, m.problem, "neither online nor offline")
}

// NIST SP 811 (2008), appendix B.8, to its seven digits: 0 F = -17.777... C; 1 mmHg = 133.3224 Pa, 1 inHg = 3386.389 Pa (conventional).
func TestUnits(t *testing.T) {
	for _, c := range []struct {
		q       sensors.Quantity
		unit    string
		v, want float64
	}{
		{sensors.Temperature, "F", 0, -17.7777777778}, {sensors.Temperature, "F", 212, 100}, {sensors.Temperature, "K", 273.15, 0}, {sensors.Temperature, "cC", 1250, 12.5},
		{sensors.Humidity, "ratio", 0.71, 71}, {sensors.Pressure, "Pa", 101325, 1013.25}, {sensors.Pressure, "kPa", 101.325, 1013.25},
		{sensors.Pressure, "mmHg", 760, 1013.25024}, {sensors.Pressure, "inHg", 29.92, 1013.20759},
	} {
		u := unitsOf(c.q)[c.unit]
		require.InDelta(t, c.want, c.v*u.factor+u.offset, 1e-4, "%s %s", c.q, c.unit)
	}
	for _, q := range sensors.Quantities() {
		require.Len(t, Units(q), len(unitsOf(q)))
		for _, u := range Units(q) {
			require.Contains(t, unitsOf(q), u)
		}
	}
}

func TestMappingsThatCannotBe(t *testing.T) {
	for want, change := range map[string]func(*Topic){
		"no level 4":           func(t *Topic) { t.NodeLevel = 4 },
		"not said where":       func(t *Topic) { t.NodeLevel = 0 },
		"whole levels":         func(t *Topic) { t.Filter = "yard/a+/climate" },
		"1 to 512 bytes":       func(t *Topic) { t.Filter = "" },
		"no JSON Pointer":      func(t *Topic) { t.Fields[0].At = "t" },
		`unknown unit "hPa"`:   func(t *Topic) { t.Fields[0].Unit = "hPa" },
		"want quantities":      func(t *Topic) { t.Fields = nil },
		"time: \"time\" is no": func(t *Topic) { t.Time = "time" },
	} {
		top := climate()
		require.NoError(t, top.Check())
		change(&top)
		require.ErrorContains(t, top.Check(), want)
	}
}

func FuzzMessage(f *testing.F) {
	f.Add("yard/a4/climate", []byte(`{"t":12.5,"rh":71,"time":"2026-01-14T07:30:00+01:00"}`))
	f.Add("yard//climate", []byte(`[1,2]`))
	f.Fuzz(func(t *testing.T, topic string, payload []byte) {
		for _, top := range []Topic{climate(), {Filter: "#", Node: "/t/0", Fields: []Field{{sensors.Moisture, "", ""}}}, {Filter: "#", NodeLevel: 1, Online: true}} {
			m, err := top.read(topic, payload)
			if err != nil {
				require.Empty(t, m.readings)
			}
			for _, r := range m.readings {
				require.False(t, r.Value != r.Value)
				require.GreaterOrEqual(t, r.Age, time.Duration(0))
			}
		}
	})
}
