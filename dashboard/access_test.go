package dashboard

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestNoRouteWithoutARole: whoever adds a route has to say who may use it.
func TestNoRouteWithoutARole(t *testing.T) {
	for _, role := range []Role{"", "everyone"} {
		_, err := New(Options{Source: newFake(scene()), Further: []Route{{Method: "GET", Path: "/api/v1/loft", Role: role, Handle: func(http.ResponseWriter, *http.Request) {}}}})
		require.ErrorContains(t, err, "GET /api/v1/loft has no role")
	}
}

// TestRolesOverEveryPage asks for every page as every kind of visitor: it answers those who may, and tells all others so. The daemon has the same
// test over the routes that it adds.
func TestRolesOverEveryPage(t *testing.T) {
	var v Visitor
	h := handler(t, newFake(scene()), func(o *Options) { o.Visitor = func(*http.Request) Visitor { return v } })
	may := map[Role][]Role{"": {Open, Token}, Open: {Open, Token}, Read: {Open, Token, Read}, Write: {Open, Token, Read, Write}, Admin: {Open, Token, Read, Write, Admin}}
	for rights, roles := range may {
		for _, r := range h.Routes() {
			if r.Path == "/events" && rights != "" && rights != Open {
				continue // does not end
			}
			v = Visitor{May: rights}
			req := httptest.NewRequest(r.Method, "http://127.0.0.1:8090"+strings.NewReplacer("{id}", "7", "{name}", "page.css", "{file}", "1.csv", "{$}", "").Replace(r.Path), nil)
			w := httptest.NewRecorder()
			h.ServeHTTP(w, req)
			allowed := false
			for _, x := range roles {
				allowed = allowed || x == r.Role
			}
			require.Equal(t, !allowed, w.Code == http.StatusUnauthorized, "%s %s as %q: %d", r.Method, r.Path, rights, w.Code)
			if !allowed {
				require.Contains(t, w.Body.String(), "tackline pair", "%s %s says how", r.Method, r.Path)
			}
		}
	}
	v = Visitor{May: Read, Phone: 3}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest("POST", "http://127.0.0.1:8090/coats/7/end", nil))
	require.Equal(t, http.StatusForbidden, w.Code, "a paired phone that may not")
	require.NotContains(t, get(h, "/coats").Body.String(), `<form method="post"`, "a page for reading has no forms")
}
