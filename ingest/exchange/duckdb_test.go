package exchange

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// duckTable is what DuckDB says of a query.
type duckTable struct {
	Columns []struct{ Name, Type string }
	Rows    [][]any
}

// duckDB runs statements on DuckDB, the independent reader of these tests, and gives the
// last one's result. `make test` installs it from its npm package.
func duckDB(t *testing.T, statements ...string) duckTable {
	t.Helper()
	if _, err := os.Stat(filepath.Join("testdata", "duckdb", "node_modules")); err != nil {
		t.Fatalf("DuckDB is not there: 'make reader' installs it: %v", err)
	}
	cmd := exec.Command("node", filepath.Join("testdata", "duckdb", "query.mjs"))
	cmd.Stdin = strings.NewReader("SET TimeZone='UTC'\n" + strings.Join(statements, "\n"))
	var errs bytes.Buffer
	cmd.Stderr = &errs
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("DuckDB: %v: %s", err, errs.String())
	}
	var table duckTable
	if err := json.Unmarshal(out, &table); err != nil {
		t.Fatal(err)
	}
	return table
}
