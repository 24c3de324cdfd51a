package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// Every flag that can be raised has its row in README.md, and no row is of a flag that
// cannot. Codes are found in the source: constants named code..., the Code of a flag, and
// the code that stands first in a call or a literal with a severity second, or in a call
// of say.
func TestFlagsAreExplained(t *testing.T) {
	raised := map[string]string{} // code to where
	text := func(e ast.Expr) string {
		if lit, ok := e.(*ast.BasicLit); ok && lit.Kind == token.STRING {
			s, _ := strconv.Unquote(lit.Value)
			return s
		}
		return ""
	}
	severity := func(e ast.Expr) bool {
		if sel, ok := e.(*ast.SelectorExpr); ok {
			e = sel.Sel
		}
		id, ok := e.(*ast.Ident)
		return ok && slices.Contains([]string{"Note", "Doubt", "Forbids", "sev"}, id.Name)
	}
	code := regexp.MustCompile(`^[a-z]+(-[a-z]+)*$`)
	files, err := filepath.Glob("../../analysis/rate/*.go")
	if err != nil {
		t.Fatal(err)
	}
	files = append(files, "hand.go", "fit.go", "ownlimits.go")
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		parsed, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		add := func(s string) {
			if code.MatchString(s) {
				raised[s] = filepath.Base(name)
			}
		}
		ast.Inspect(parsed, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.ValueSpec:
				for i, id := range n.Names {
					if strings.HasPrefix(id.Name, "code") && i < len(n.Values) {
						add(text(n.Values[i]))
					}
				}
			case *ast.KeyValueExpr:
				if id, ok := n.Key.(*ast.Ident); ok && id.Name == "Code" {
					add(text(n.Value))
				}
			case *ast.AssignStmt:
				for i, to := range n.Lhs {
					if sel, ok := to.(*ast.SelectorExpr); ok && sel.Sel.Name == "Code" && i < len(n.Rhs) {
						add(text(n.Rhs[i]))
					}
				}
			case *ast.CallExpr:
				fun, ok := n.Fun.(*ast.Ident)
				if len(n.Args) > 1 && severity(n.Args[1]) || ok && fun.Name == "say" && len(n.Args) > 0 {
					add(text(n.Args[0]))
				}
			case *ast.CompositeLit:
				if len(n.Elts) > 1 && severity(n.Elts[1]) {
					add(text(n.Elts[0]))
				}
			}
			return true
		})
	}
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	_, table, found := strings.Cut(string(readme), "\n### Flags\n")
	if !found {
		t.Fatal("README.md has no section on flags")
	}
	table, _, _ = strings.Cut(table, "\n### ")
	explained := map[string]bool{}
	for line := range strings.Lines(table) {
		cells := strings.Split(line, "|")
		if len(cells) < 5 {
			continue
		}
		for _, m := range regexp.MustCompile("`([a-z-]+)`").FindAllStringSubmatch(cells[1], -1) {
			explained[m[1]] = true
			if strings.TrimSpace(cells[2]) == "" || strings.TrimSpace(cells[3]) == "" {
				t.Errorf("README.md does not tell how grave %s is, or what it means", m[1])
			}
		}
	}
	if len(raised) < 20 {
		t.Errorf("only %d codes are found in the source: %v", len(raised), raised)
	}
	for c, where := range raised {
		if !explained[c] {
			t.Errorf("%s raises %s, and README.md's table of flags does not explain it", where, c)
		}
	}
	for c := range explained {
		if _, ok := raised[c]; !ok {
			t.Errorf("README.md explains %s, and nothing raises it", c)
		}
	}
}
