package config

import (
	"errors"
	"strings"
	"testing"
)

const oneTube = "[[channel]]\nname = \"tube1\"\nclock_pin = 5\ndata_pin = 6\n\n[bench]\ngpio_chip = \"pins\"\n\n[store]\n"

func TestStoreThresholds(t *testing.T) {
	for _, c := range []struct {
		name, text string
		says       []string // one mistake each, in order; none: the file is right
	}{
		{"for ever", "watch_days = 0", nil},
		{"no threshold at all", "warn_free_mb = 0\nthin_free_mb = 0\nstop_free_mb = 0\nwarn_left_h = 0\nthin_left_h = 0\nstop_left_h = 0", nil},
		{"all at once", "warn_free_mb = 500\nthin_free_mb = 500\nstop_free_mb = 500", nil},
		{"the most", "watch_days = 36500\nwarn_free_mb = 1e9\nwarn_left_h = 87600", nil},
		{"negative days", "watch_days = -1", []string{"b.toml:10:1: store.watch_days = -1: must be a number from 0 to 36500 days, 0 for ever"}},
		{"days without number", "watch_days = nan", []string{"store.watch_days = NaN: must be a number"}},
		{"days as text", `watch_days = "a year"`, []string{`store.watch_days = "a year": must be a number`}},
		{"too many days", "watch_days = 36501", []string{"store.watch_days"}},
		{"thins before it warns", "warn_free_mb = 400", []string{"store.thin_free_mb = 500: must not be above warn_free_mb, 400 MB"}},
		{"stops before it thins", "stop_free_mb = 501", []string{"store.stop_free_mb = 501: must not be above thin_free_mb, 500 MB"}},
		{"hours the wrong way", "warn_left_h = 1\nthin_left_h = 2\nstop_left_h = 3", []string{"store.thin_left_h = 2: must not be above warn_left_h, 1 hours", "store.stop_left_h = 3"}},
		{"one mistake is told once", "warn_free_mb = -5", []string{"store.warn_free_mb = -5: must be a number"}},
		{"a slip", "watch_day = 3", []string{`did you mean "watch_days"?`}},
	} {
		_, err := Parse("b.toml", []byte(oneTube+c.text+"\n"))
		var problems Problems
		errors.As(err, &problems)
		if len(problems) != len(c.says) || err != nil && problems == nil {
			t.Errorf("%s: %v; want %d mistakes", c.name, err, len(c.says))
			continue
		}
		for i, says := range c.says {
			if !strings.Contains(problems[i].Error(), says) {
				t.Errorf("%s: %q does not say %q", c.name, problems[i].Error(), says)
			}
		}
	}
	t.Setenv("BRIMLINE_STORE_WATCH_DAYS", "30.5")
	cfg, err := Parse("b.toml", []byte(oneTube))
	if err != nil || cfg.Store.WatchDays != 30.5 {
		t.Errorf("%+v, %v", cfg, err)
	}
}
