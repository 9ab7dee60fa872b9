package daemon

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/daemon/jobbook"
	"tackline/daemon/wire"
	"tackline/dashboard"
)

var update = flag.Bool("update", false, "rewrite dashboard/openapi.json from the routes and types")

const descriptionFile = "../dashboard/openapi.json"

type object = map[string]any

// TestTheDescriptionIsThatOfTheHandlers makes the OpenAPI description from the routes that are served and the types that are sent, and holds the
// file against it: every route and method is described, nothing else is, and every command has the fields of its Go type.
func TestTheDescriptionIsThatOfTheHandlers(t *testing.T) {
	d := &Daemon{}
	page, err := dashboard.New(dashboard.Options{Source: source{d}, Further: d.apiRoutes()})
	require.NoError(t, err)
	want, err := json.MarshalIndent(describe(t, page.Routes()), "", " ")
	require.NoError(t, err)
	want = append(want, '\n')
	if *update {
		require.NoError(t, os.WriteFile(descriptionFile, want, 0o644))
		var b bytes.Buffer
		z, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
		require.NoError(t, err)
		_, err = z.Write(want)
		require.NoError(t, err)
		require.NoError(t, z.Close())
		require.NoError(t, os.WriteFile(descriptionFile+".gz", b.Bytes(), 0o644)) // what the program holds
	}
	got, err := os.ReadFile(descriptionFile)
	require.NoError(t, err)
	require.True(t, string(want) == string(got), "dashboard/openapi.json is not that of the handlers: go test ./daemon -run Description -update, and read the diff")
	packed, err := os.Open(descriptionFile + ".gz")
	require.NoError(t, err)
	defer packed.Close()
	z, err := gzip.NewReader(packed)
	require.NoError(t, err)
	got, err = io.ReadAll(z)
	require.NoError(t, err)
	require.True(t, string(want) == string(got), "dashboard/openapi.json.gz is not dashboard/openapi.json: go test ./daemon -run Description -update")
}

// TestNoRouteGoesPastTheDescription reads the sources: a route of the API that is not in the table would not be described.
func TestNoRouteGoesPastTheDescription(t *testing.T) {
	route := regexp.MustCompile(`Handle(Func)?\("[A-Z ]*/api/`)
	for _, pattern := range []string{"*.go", "../dashboard/*.go"} {
		files, err := filepath.Glob(pattern)
		require.NoError(t, err)
		for _, f := range files {
			text, err := os.ReadFile(f)
			require.NoError(t, err)
			if !strings.HasSuffix(f, "_test.go") {
				require.False(t, route.Match(text), "%s registers a route of the API by itself: put it into Routes or apiRoutes", f)
			}
		}
	}
}

// jsonKinds are the commands that people send as JSON: a photo goes by itself, and a clock that was found is the daemon's to say.
func jsonKinds() []string {
	return slices.DeleteFunc(jobbook.Kinds(), func(k string) bool { return k == (jobbook.AddPhoto{}).Kind() || k == (jobbook.ClockFound{}).Kind() })
}

func describe(t *testing.T, routes []dashboard.Route) object {
	t.Helper()
	comments := comments(t)
	s := &wire.Schemas{Defs: object{}, Comment: func(owner reflect.Type, name string) string {
		return comments[owner.PkgPath()+"."+owner.Name()+"."+name]
	}}
	s.Plain(reflect.TypeFor[dashboard.Problem]())
	paths := object{}
	put := func(path, method string, op object) {
		if paths[path] == nil {
			paths[path] = object{}
		}
		at := paths[path].(object)
		require.NotContains(t, at, method, path)
		at[method] = op
	}
	for _, r := range routes {
		if !strings.HasPrefix(r.Path, "/api/") {
			continue // a page
		}
		if path, ok := strings.CutSuffix(r.Path, "/{kind}"); ok {
			for _, kind := range jsonKinds() {
				put(path+"/"+kind, strings.ToLower(r.Method), commandPath(t, s, r, kind))
			}
			continue
		}
		put(r.Path, strings.ToLower(r.Method), operation(s, r))
	}
	return object{"openapi": "3.1.0", "info": object{"title": "tackline", "version": "1", "description": "What a shed knows and what people tell it. Times are RFC 3339 in UTC, null where " +
		"there is none; units stand in the names; unknown is null, never 0. Advice is advice: the maker's sheet, local codes and licensed practice decide. " +
		"Errors are problem+json (RFC 9457)."},
		"servers": []any{object{"url": "/"}}, "paths": paths, "components": object{"schemas": s.Defs, "responses": object{"problem": object{
			"description": "What went wrong, and what to do: 404 nothing there, 405 another method, 409 someone changed it since, 413 too long, 415 another content type, 422 fields to be mended.",
			"content":     object{"application/problem+json": object{"schema": object{"$ref": "#/components/schemas/DashboardProblem"}}}}}}}
}

func operation(s *wire.Schemas, r dashboard.Route) object {
	var params []any
	for _, m := range regexp.MustCompile(`\{(\w+)\}`).FindAllStringSubmatch(r.Path, -1) {
		kind := "string"
		if m[1] == "id" {
			kind = "integer"
		}
		params = append(params, object{"name": m[1], "in": "path", "required": true, "schema": object{"type": kind}})
	}
	for _, q := range r.Query {
		schema := object{"type": q.Type}
		if q.Type == "date-time" {
			schema = object{"type": "string", "format": "date-time"}
		}
		params = append(params, object{"name": q.Name, "in": "query", "required": q.Needed, "schema": schema, "description": q.Does})
	}
	status := "200"
	if r.Status != 0 {
		status = fmt.Sprint(r.Status)
	}
	op := object{"summary": r.Does, "responses": object{status: answer(s, r), "default": object{"$ref": "#/components/responses/problem"}}}
	if r.Status == 201 {
		op["responses"].(object)["200"] = object{"description": "The key was known: nothing was done again.", "content": answer(s, r)["content"]}
		params = append(params, object{"name": "Idempotency-Key", "in": "header", "schema": object{"type": "string"}, "description": "made by the client, one for each thing said"})
	}
	if len(params) > 0 {
		op["parameters"] = params
	}
	switch {
	case r.BodyMedia != "":
		op["requestBody"] = object{"required": true, "content": object{"image/png": object{}, "image/jpeg": object{}}}
	case r.Body != nil:
		op["requestBody"] = object{"required": true, "content": object{"application/json": object{"schema": s.Plain(reflect.TypeOf(r.Body))}}}
	}
	return op
}

func answer(s *wire.Schemas, r dashboard.Route) object {
	media, schema := "application/json", object(nil)
	switch a := r.Answers.(type) {
	case nil:
		return object{"description": "The file.", "content": object{r.Media: object{}}}
	case listAnswer:
		schema = object{"type": "object", "additionalProperties": false, "required": []any{"items", "next", "seq"}, "properties": object{
			"items": object{"type": "array", "items": s.Entity(reflect.TypeOf(a.of))}, "seq": object{"type": "integer", "description": "of the journal's last row that is in it"},
			"next": object{"type": []any{"integer", "null"}, "description": "give it as after for what follows; null at the end"}}}
	case map[string]any:
		schema = object{"type": "object"}
	default:
		if of := reflect.TypeOf(a); of.PkgPath() == reflect.TypeFor[jobbook.Job]().PkgPath() {
			schema = s.Entity(of)
		} else {
			schema = s.Plain(of)
		}
	}
	content := object{media: object{"schema": schema}}
	if r.Media != "" { // one of several forms, of which JSON is another
		content[r.Media] = object{}
	}
	return object{"description": "Good.", "content": content}
}

// commandPath describes one kind of command.
func commandPath(t *testing.T, s *wire.Schemas, r dashboard.Route, kind string) object {
	t.Helper()
	p, err := jobbook.Decode(kind, []byte("{}"))
	require.NoError(t, err)
	of := reflect.TypeOf(p)
	s.Defs[of.Name()+"Command"] = s.Command(of)
	r.Path, r.Does, r.Body = "/api/v1/commands/"+kind, comments(t)[of.PkgPath()+"."+of.Name()], nil
	op := operation(s, r)
	op["requestBody"] = object{"required": true, "content": object{"application/json": object{"schema": object{"type": "object", "additionalProperties": false,
		"required": []any{"payload"}, "properties": object{"who": object{"type": "string", "description": "who says so; none is the shed"},
			"key": object{"type": "string", "description": "as Idempotency-Key"}, "payload": object{"$ref": "#/components/schemas/" + of.Name() + "Command"}}}}}}
	if _, changes := of.FieldByName("Saw"); changes {
		op["parameters"] = append(op["parameters"].([]any), object{"name": "If-Match", "in": "header", "schema": object{"type": "string"},
			"description": "the ETag of what was seen, in place of saw_rev"})
	}
	return op
}

// comments gives what the sources say of each field and each type: package path, type and field between points.
func comments(t *testing.T) map[string]string {
	t.Helper()
	out := map[string]string{}
	for folder, pkg := range map[string]string{".": "tackline/daemon", "jobbook": "tackline/daemon/jobbook", "../dashboard": "tackline/dashboard", "../dashboard/record": "tackline/dashboard/record", "../advisor": "tackline/advisor",
		"../advisor/sequence": "tackline/advisor/sequence"} {
		files, err := filepath.Glob(filepath.Join(folder, "*.go"))
		require.NoError(t, err)
		for _, name := range files {
			f, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ParseComments)
			require.NoError(t, err)
			for _, decl := range f.Decls {
				g, ok := decl.(*ast.GenDecl)
				if !ok {
					continue
				}
				for _, spec := range g.Specs {
					typ, ok := spec.(*ast.TypeSpec)
					if !ok {
						continue
					}
					out[pkg+"."+typ.Name.Name] = oneLine(g.Doc.Text())
					if st, ok := typ.Type.(*ast.StructType); ok {
						for _, field := range st.Fields.List {
							for _, n := range field.Names {
								out[pkg+"."+typ.Name.Name+"."+n.Name] = oneLine(field.Comment.Text())
							}
						}
					}
				}
			}
		}
	}
	return out
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }
