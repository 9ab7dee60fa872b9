package rules

import (
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// TestAdvisorIsPure reads the syntax of everything under advisor: no clock, no local zone, no goroutine, no channel, and no package-level
// variable but error sentinels and tables. What may be imported is the import rules' matter.
func TestAdvisorIsPure(t *testing.T) {
	root := repositoryRoot(t)
	files := 0
	eachGoFile(t, root, func(file string) {
		if !strings.HasPrefix(file, "advisor/") || strings.HasSuffix(file, "_test.go") {
			return
		}
		files++
		set := token.NewFileSet()
		f, err := parser.ParseFile(set, filepath.Join(root, file), nil, parser.SkipObjectResolution)
		require.NoError(t, err)
		for _, fault := range impurities(set, f) {
			t.Errorf("%s", fault)
		}
	})
	require.Greater(t, files, 5)
}

func TestImpuritiesAreFound(t *testing.T) {
	const src = `package p
import ("time"; "errors")
var ErrFine = errors.New("p: fine")
var table = [...]float64{1, 2}
var counter int64
var cache = map[string]int64{}
var loc = time.Local
func f() { go f(); _ = time.Now(); var c chan int; _ = c; counter++ }
func g() { table[0] = 3 }
`
	set := token.NewFileSet()
	f, err := parser.ParseFile(set, "p.go", src, parser.SkipObjectResolution)
	require.NoError(t, err)
	got := strings.Join(impurities(set, f), "\n")
	for _, want := range []string{"go statement", "time.Now", "time.Local", "counter", "channel", "table is changed"} {
		require.Contains(t, got, want)
	}
	require.NotContains(t, got, "ErrFine")
}

var clockNames = map[string]bool{"Now": true, "Local": true, "Since": true, "Until": true, "Sleep": true, "After": true, "Tick": true,
	"NewTimer": true, "NewTicker": true, "AfterFunc": true, "LoadLocation": true}

func impurities(set *token.FileSet, f *ast.File) []string {
	var faults []string
	add := func(n ast.Node, what string) { faults = append(faults, set.Position(n.Pos()).String()+": "+what) }
	globals := map[string]bool{}
	for _, d := range f.Decls {
		g, ok := d.(*ast.GenDecl)
		if !ok || g.Tok != token.VAR {
			continue
		}
		for _, s := range g.Specs {
			v := s.(*ast.ValueSpec)
			for i, name := range v.Names {
				globals[name.Name] = true
				if name.Name != "_" && !sentinelOrTable(v, i) {
					add(name, "package-level variable "+name.Name+" is neither an error sentinel nor a table")
				}
			}
		}
	}
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			add(n, "go statement")
		case *ast.ChanType, *ast.SelectStmt, *ast.SendStmt:
			add(n, "channel")
		case *ast.SelectorExpr:
			if x, ok := n.X.(*ast.Ident); ok && x.Name == "time" && clockNames[n.Sel.Name] {
				add(n, "time."+n.Sel.Name)
			}
		case *ast.AssignStmt:
			for _, l := range n.Lhs {
				if name := rootName(l); n.Tok != token.DEFINE && globals[name] && name != "_" {
					add(n, "package-level "+name+" is changed")
				}
			}
		case *ast.IncDecStmt:
			if name := rootName(n.X); globals[name] {
				add(n, "package-level "+name+" is changed")
			}
		}
		return true
	})
	return faults
}

// sentinelOrTable accepts errors.New, a composite literal of an array, slice or map that no function changes, and typed assertions (var _ I).
func sentinelOrTable(v *ast.ValueSpec, i int) bool {
	if i >= len(v.Values) {
		return false
	}
	switch x := v.Values[i].(type) {
	case *ast.CompositeLit:
		return true
	case *ast.CallExpr:
		s, ok := x.Fun.(*ast.SelectorExpr)
		return ok && s.Sel.Name == "New" && rootName(s.X) == "errors"
	}
	return false
}

func rootName(e ast.Expr) string {
	switch e := e.(type) {
	case *ast.Ident:
		return e.Name
	case *ast.IndexExpr:
		return rootName(e.X)
	case *ast.SelectorExpr:
		return rootName(e.X)
	case *ast.StarExpr:
		return rootName(e.X)
	}
	return ""
}
