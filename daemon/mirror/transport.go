package mirror

import (
	"bytes"
	"encoding/json"
	"io"
	"net/http"
	"time"
)

// said is the header in which InfluxDB 1.8 says what is wrong beside its body, and from which the client takes it.
const said = "X-Influxdb-Error"

// listening makes the client hear what servers say in {"error": "..."}, as 1.8 and 3 do: it reads the form of 2 alone, and the header of 1.8.
type listening struct{ next http.RoundTripper }

// RoundTrip does as http.RoundTripper says.
func (l listening) RoundTrip(r *http.Request) (*http.Response, error) {
	res, err := l.next.RoundTrip(r)
	if err != nil || res.StatusCode < 300 || res.Header.Get(said) != "" {
		return res, err
	}
	head, err := io.ReadAll(io.LimitReader(res.Body, 64<<10))
	res.Body = struct {
		io.Reader
		io.Closer
	}{io.MultiReader(bytes.NewReader(head), res.Body), res.Body}
	var answer struct {
		Error string `json:"error"`
	}
	if err == nil && json.Unmarshal(head, &answer) == nil && answer.Error != "" {
		res.Header.Set(said, answer.Error)
	}
	return res, nil
}

// CloseIdleConnections does as http.Client wants it.
func (l listening) CloseIdleConnections() {
	if c, ok := l.next.(interface{ CloseIdleConnections() }); ok {
		c.CloseIdleConnections()
	}
}

// httpClient gives connections of the mirror's own.
func httpClient() *http.Client {
	return &http.Client{Timeout: 30 * time.Second, Transport: listening{http.DefaultTransport.(*http.Transport).Clone()}}
}
