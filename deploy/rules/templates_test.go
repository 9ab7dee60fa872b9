package rules

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"text/template/parse"

	"github.com/stretchr/testify/require"
)

// TestTemplatesCallNoMethods reads the templates: what they name is a field of a struct of ours, so that the program may be built with an engine that
// looks for no methods (deploy/build). A method of what the pages are made of has another name than any field that a template names; for the rest the tests of the
// pages tell, which deploy/check runs with that engine.
func TestTemplatesCallNoMethods(t *testing.T) {
	root := repositoryRoot(t)
	fields, inline := map[string]bool{}, 0
	methods := map[string]string{}                          // of what the pages are made of, by name, where
	unseen := map[string]bool{"Shows": true, "penOf": true} // types that no template is given
	named := map[string]string{}                            // by name, where
	eachGoFile(t, root, func(file string) {
		if strings.HasSuffix(file, "_test.go") || !strings.HasPrefix(file, "dashboard/") && !strings.HasPrefix(file, "daemon/") && !strings.HasPrefix(file, "advisor/") {
			return
		}
		f, err := parser.ParseFile(token.NewFileSet(), filepath.Join(root, file), nil, parser.SkipObjectResolution)
		require.NoError(t, err)
		ast.Inspect(f, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.FuncDecl:
				pages := filepath.Dir(file) == "dashboard" || filepath.Dir(file) == "dashboard/record"
				if n.Recv != nil && n.Name.IsExported() && pages && !unseen[embedded(n.Recv.List[0].Type)] {
					methods[n.Name.Name] = file
				}
			case *ast.StructType:
				for _, field := range n.Fields.List {
					for _, name := range field.Names {
						fields[name.Name] = true
					}
					if len(field.Names) == 0 {
						fields[embedded(field.Type)] = true
					}
				}
			case *ast.BasicLit:
				if n.Kind == token.STRING && strings.Contains(n.Value, "{{") {
					inline++
					gather(t, file, strings.Trim(n.Value, "`\""), named)
				}
			}
			return true
		})
	})
	pages, err := filepath.Glob(filepath.Join(root, "dashboard", "*", "*.html"))
	require.NoError(t, err)
	require.Greater(t, len(pages), 10)
	require.NotZero(t, inline, "daemon/seen.go has one")
	for _, p := range pages {
		text, err := os.ReadFile(p)
		require.NoError(t, err)
		gather(t, p, string(text), named)
	}
	require.Greater(t, len(named), 100)
	for name, where := range named {
		if !fields[name] {
			t.Errorf("%s: .%s is no field of a struct under dashboard, daemon and advisor: a method is not found in the program that ships", where, name)
		}
		if at, ok := methods[name]; ok {
			t.Errorf("%s: .%s is the name of a method in %s too", where, name, at)
		}
	}
}

// gather notes the fields that a template names.
func gather(t *testing.T, where, text string, named map[string]string) {
	t.Helper()
	tree := parse.New(where)
	tree.Mode = parse.SkipFuncCheck
	all := map[string]*parse.Tree{}
	_, err := tree.Parse(text, "", "", all)
	require.NoError(t, err)
	name := regexp.MustCompile(`\.([A-Za-z_][A-Za-z0-9_]*)`)
	quoted := regexp.MustCompile("\"(?:[^\"\\\\]|\\\\.)*\"|`[^`]*`")
	for _, sub := range all {
		var visit func(parse.Node)
		visit = func(n parse.Node) {
			switch n := n.(type) {
			case *parse.ListNode:
				if n == nil {
					return
				}
				for _, c := range n.Nodes {
					visit(c)
				}
			case *parse.IfNode:
				visit(n.Pipe)
				visit(n.List)
				visit(n.ElseList)
			case *parse.RangeNode:
				visit(n.Pipe)
				visit(n.List)
				visit(n.ElseList)
			case *parse.WithNode:
				visit(n.Pipe)
				visit(n.List)
				visit(n.ElseList)
			case *parse.ActionNode:
				visit(n.Pipe)
			case *parse.TemplateNode:
				visit(n.Pipe)
			case *parse.PipeNode:
				if n == nil {
					return
				}
				for _, m := range name.FindAllStringSubmatch(quoted.ReplaceAllString(n.String(), ""), -1) {
					named[m[1]] = where
				}
			}
		}
		visit(sub.Root)
	}
}

func embedded(x ast.Expr) string {
	switch x := x.(type) {
	case *ast.StarExpr:
		return embedded(x.X)
	case *ast.SelectorExpr:
		return x.Sel.Name
	case *ast.Ident:
		return x.Name
	}
	return ""
}
