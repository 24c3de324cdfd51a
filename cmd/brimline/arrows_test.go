package main

import (
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// arrows is which rooms a room may import, and which outside module has its door
// where. A room not named here may not exist; "*" is every room.
var arrows = map[string][]string{
	"rig":                                {},
	"rig/hx711":                          {"rig"},
	"rig/nau7802":                        {"rig"},
	"rig/ads1115":                        {"rig"},
	"rig/tca9548a":                       {"rig"},
	"rig/outlet":                         {"rig"},
	"rig/rigtest":                        {"rig"},
	"rig/simbench":                       {"rig"},
	"rig/calibrate":                      {"rig"},
	"ingest":                             {"rig"},
	"ingest/store":                       {"rig", "ingest"},
	"ingest/store/crashtest":             {"rig", "ingest", "ingest/store"},
	"ingest/store/crashtest/recordchild": {"ingest/store/crashtest"},
	"ingest/exchange":                    {"rig", "ingest"},
	"ingest/influx":                      {"rig", "ingest"},

	"ingest/influx/influxtest": {},

	"analysis/curve":        {},
	"analysis/rate":         {"analysis/curve"},
	"analysis/rate/fillsim": {"analysis/curve"},
	"analysis/mixed":        {},
	"analysis/power":        {},
	"analysis/plan":         {"analysis/mixed", "analysis/power", "analysis/change"},
	"analysis/change":       {"analysis/mixed", "analysis/power"},
	"analysis/history":      {"analysis/mixed"},
	"analysis/stability":    {},
	"analysis/report":       {"analysis/curve", "analysis/rate", "analysis/change"},
	"config":                {},
	"cmd/brimline":          {"*"},
	"cmd/brimline/serve":    {"*"},
	"cmd/study":             {"rig", "rig/simbench", "analysis/curve", "analysis/rate", "analysis/rate/fillsim", "analysis/change", "analysis/plan"},

	"hardware/emulated-board/check": {"rig", "ingest", "ingest/store"},
}

// doors is the rooms that may import an outside module; rooms below count.
var doors = map[string][]string{
	"periph.io/x/conn":                         {"rig/hx711", "rig/nau7802", "rig/ads1115", "rig/tca9548a", "rig/outlet", "rig/simbench", "cmd"},
	"periph.io/x/host":                         {"cmd/brimline"},
	"gonum.org/v1/gonum":                       {"analysis", "rig/calibrate"},
	"github.com/spf13/viper":                   {"config"},
	"github.com/pelletier/go-toml":             {"config"},
	"modernc.org/sqlite":                       {"ingest/store"},
	"modernc.org/libc":                         {"ingest/store"},
	"github.com/spf13/cobra":                   {"cmd/brimline"},
	"github.com/hanwen/go-fuse":                {"ingest/store/crashtest"},
	"github.com/parquet-go/parquet-go":         {"ingest/exchange"},
	"github.com/influxdata/influxdb-client-go": {"ingest/influx"},
	"github.com/VictoriaMetrics/metrics":       {"cmd/brimline/serve"},
	"periph.io/x/host/v3/bcm283x":              {}, // guesses a wrong register base on newer boards
}

type goPackage struct {
	ImportPath string
	Imports    []string
}

// The rooms' arrows of DEVELOPERS.md hold, so that no reader has to remember them.
func TestImportArrows(t *testing.T) {
	cmd := exec.Command("go", "list", "-json=ImportPath,Imports", "brimline/...")
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	seen := 0
	for dec := json.NewDecoder(out); ; {
		var p goPackage
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
		room := strings.TrimPrefix(p.ImportPath, "brimline/")
		may, known := arrows[room]
		if !known {
			t.Errorf("room %s is not in the table of rooms: add it there and to DEVELOPERS.md", room)
			continue
		}
		seen++
		for _, imp := range p.Imports {
			if inner, ours := strings.CutPrefix(imp, "brimline/"); ours {
				if !slices.Contains(may, inner) && !slices.Contains(may, "*") {
					t.Errorf("%s imports %s: the arrows allow it %v only", room, inner, may)
				}
				continue
			}
			if room == "rig" && strings.Contains(strings.Split(imp, "/")[0], ".") {
				t.Errorf("rig imports %s: it stands on the standard library alone", imp)
			}
			for module, rooms := range doors {
				if !strings.HasPrefix(imp, module) {
					continue
				}
				if !slices.ContainsFunc(rooms, func(r string) bool { return room == r || strings.HasPrefix(room, r+"/") }) {
					t.Errorf("%s imports %s: its door is in %v", room, imp, rooms)
				}
			}
		}
	}
	if err := cmd.Wait(); err != nil {
		t.Fatal(err)
	}
	if seen < len(arrows) {
		t.Errorf("%d rooms of %d were found", seen, len(arrows))
	}
}
