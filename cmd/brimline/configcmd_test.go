package main

import (
	"bytes"
	"encoding/json"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"brimline/config"
)

func TestConfigCommands(t *testing.T) {
	dir := t.TempDir()
	good, bad := filepath.Join(dir, "good.toml"), filepath.Join(dir, "bad.toml")
	var out, errs bytes.Buffer
	if code := run(t.Context(), []string{"config", "example"}, nil, &out, &errs); code != exitDone || !bytes.Equal(out.Bytes(), config.Example) {
		t.Fatalf("config example: exit %d, %s", code, &errs)
	}
	for file, text := range map[string]string{good: out.String(), bad: "[run]\nduration = 60\nstill_s = 1\n[[channel]]\nname = 'a'\nclock_pin = 1\ndata_pin = 2\n"} {
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}

	out.Reset()
	if code := run(t.Context(), []string{"config", "check", good}, nil, &out, &errs); code != exitDone {
		t.Fatalf("config check: exit %d, %s", code, &errs)
	}
	for _, want := range []string{"co-op workshop bench, 6 channels", "tube6    100 mL  hx711   clock 23, data 24 of pinctrl-bcm2711  10 SPS  gain 128", "diesel, 0.832 g/mL, u 0.0005 g/mL, 40 °C", "limits  none set",
		"valves  tube1 9, tube2 10, tube3 11, tube4 18, tube5 25, tube6 27 (diverter), heartbeat 4, alarm 26"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("summary lacks %q:\n%s", want, &out)
		}
	}

	// The examples of other converters are checked as they are printed.
	for name, want := range map[string]string{
		"nau7802":      "tube2    100 mL  nau7802  I2C bus 1, port 1 of 0x70, 0x2a, input 1  80 SPS  gain 128",
		"ads1115":      "tube5    100 mL  ads1115  I2C bus 1, 0x49, input 1 over 3  250 SPS  4.096 V",
		"shared-clock": "tube6    100 mL  hx711   clock 5, data 19 of pinctrl-bcm2711  80 SPS  gain 128",
	} {
		out.Reset()
		if code := run(t.Context(), []string{"config", "example", name}, nil, &out, &errs); code != exitDone {
			t.Fatalf("config example %s: exit %d, %s", name, code, &errs)
		}
		file := filepath.Join(dir, name+".toml")
		if err := os.WriteFile(file, out.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
		out.Reset()
		if code := run(t.Context(), []string{"config", "check", file}, nil, &out, &errs); code != exitDone || !strings.Contains(out.String(), want) {
			t.Errorf("config check %s: exit %d, lacks %q:\n%s%s", name, code, want, &out, &errs)
		}
	}
	errs.Reset()
	if code := run(t.Context(), []string{"config", "example", "none"}, nil, &out, &errs); code != exitUsage || !strings.Contains(errs.String(), "hx711, shared-clock, nau7802, ads1115") {
		t.Errorf("an example that is not there: exit %d, %s", code, &errs)
	}

	out.Reset()
	errs.Reset()
	code := run(t.Context(), []string{"config", "check", bad}, nil, &out, &errs)
	for _, want := range []string{"bad.toml has 2 mistakes:", `bad.toml:2:1: run.duration: unknown key in [run]; did you mean "duration_s"?`, "bad.toml:3:1: run.still_s = 1: must be a number from 5 to 600 s"} {
		if code != exitUsage || !strings.Contains(errs.String(), want) {
			t.Errorf("exit %d, lacks %q:\n%s", code, want, &errs)
		}
	}

	for file, want := range map[string]int{good: 0, bad: 2, filepath.Join(dir, "none.toml"): 1} {
		out.Reset()
		code := run(t.Context(), []string{"config", "check", file, "--json"}, nil, &out, io.Discard)
		var v struct {
			Schema   string
			Config   *config.Config
			Problems []config.Problem
		}
		if err := json.Unmarshal(out.Bytes(), &v); err != nil {
			t.Fatalf("%v: %s", err, &out)
		}
		if v.Schema != "brimline/config/1" || len(v.Problems) != want || (code == exitDone) != (want == 0) || (v.Config != nil) != (want == 0) {
			t.Errorf("%s: exit %d, %+v", file, code, v)
		}
	}
}

// A completion script asks the program itself for words, through the hidden command
// __complete: that is what is tried here.
func TestCompletion(t *testing.T) {
	for shell, want := range map[string]string{"bash": "__start_brimline", "zsh": "#compdef brimline", "fish": "complete -c brimline"} {
		var out bytes.Buffer
		if code := run(t.Context(), []string{"completion", shell}, nil, &out, io.Discard); code != exitDone || !strings.Contains(out.String(), want) {
			t.Errorf("completion %s: exit %d, %d bytes without %q", shell, code, out.Len(), want)
		}
	}
	for words, want := range map[string]string{
		"config ":             "check\tSay what",
		"config check ":       "toml\n:8", // 8: complete files with this ending
		"serve --s":           "--sim\tsimulate",
		"serve --config ":     "toml\n:8",
		"serve --sim --data ": ":16", // 16: complete folders
	} {
		args := append([]string{"__complete"}, strings.Split(words, " ")...)
		var out bytes.Buffer
		if code := run(t.Context(), args, nil, &out, io.Discard); code != exitDone || !strings.Contains(out.String(), want) {
			t.Errorf("completing %q: exit %d, %q lacks %q", words, code, &out, want)
		}
	}
}
