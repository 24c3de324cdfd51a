package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"brimline/config"
	"brimline/ingest"
	"brimline/ingest/influx"
	"brimline/ingest/store"
)

func newRefusedCommand() *cobra.Command {
	var data, configFile string
	var asJSON, again, all bool
	c := &cobra.Command{
		Use:   "refused",
		Short: "What the shared store refused for good, why, and to send it again",
		Long: `Refused lists what the shared InfluxDB of [influx] would not take and the daemon
has set aside, with the server's reason and the first line of each stretch, also
what could not be read here or was deleted before it was sent. Nothing of the
first kind is lost: it is in the bench's own store, and rates and export there
have it.

Mend the cause at the server first: a field that somebody else wrote with another
type, a retention that ends too early, a limit. Then stop the daemon, ask for
--send-again and start it: it sends what was set aside, and all that followed, anew.
What had arrived before overwrites itself. --all sends everything from the
beginning, for a bucket that was emptied or made anew.`,
		Example: "  brimline refused --config bench.toml\n  brimline refused --config bench.toml --send-again\n  brimline refused --config bench.toml --send-again --all",
		Args:    usageArgs(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			if all && !again {
				return badInput(errors.New("refused: --all goes with --send-again: add it, or leave --all out"))
			}
			cfg, err := loadStoreConfig(configFile)
			if err != nil {
				return fmt.Errorf("refused: %w", err)
			}
			if cfg.Influx.URL == "" {
				return fmt.Errorf("refused: %w", badInput(errNoSharedStore))
			}
			if data == "" {
				data = cfg.Store.Dir
			}
			path, err := storePath(data, configFile)
			if err != nil {
				return fmt.Errorf("refused: %w", err)
			}
			target := sharedTarget(cfg, filepath.Base(path) == simStore)
			asides, err := asidesOf(c.Context(), path, target)
			if err != nil {
				return fmt.Errorf("refused: %w", err)
			}
			if again {
				if err := sendAgain(c.Context(), path, target, all); err != nil {
					return fmt.Errorf("refused: %w", err)
				}
			}
			if asJSON {
				return json.NewEncoder(c.OutOrStdout()).Encode(refusedOf(target, asides, again))
			}
			return printRefused(c.OutOrStdout(), target, asides, again)
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON, schema brimline/refused/1")
	c.Flags().BoolVar(&again, "send-again", false, "let the daemon send it anew when it starts; the daemon must be stopped")
	c.Flags().BoolVar(&all, "all", false, "with --send-again: everything from the beginning")
	storeFlags(c, &data, &configFile)
	return c
}

func asidesOf(ctx context.Context, path string, target influx.Target) ([]ingest.ShipAside, error) {
	r, err := store.OpenRead(ctx, path)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	return r.Asides(ctx, target.Key())
}

func sendAgain(ctx context.Context, path string, target influx.Target, all bool) error {
	st, err := store.Open(ctx, path, store.Options{})
	if err != nil {
		return err
	}
	return errors.Join(st.SendAgain(ctx, target.Key(), all), st.Close())
}

// sharedTarget is the config's shared store without its token. A simulated bench has a
// name of its own there: its readings never stand among real ones.
func sharedTarget(cfg *config.Config, sim bool) influx.Target {
	t := influx.Target{URL: cfg.Influx.URL, Org: cfg.Influx.Org, Bucket: cfg.Influx.Bucket, Bench: cfg.Bench.Name}
	if sim {
		t.Bench += simulatedBench
	}
	return t
}

// refusedJSON is schema brimline/refused/1.
type refusedJSON struct {
	Schema    string        `json:"schema"`
	Target    string        `json:"target"` // without its token
	Bench     string        `json:"bench"`
	SendAgain bool          `json:"send_again"` // they were taken from the list to be sent anew
	Stretches []stretchJSON `json:"stretches"`
}

type stretchJSON struct {
	What    string    `json:"what"` // "samples/tube1", "health/tube1", "rates", "book" ...
	Boot    int64     `json:"boot"` // 0: none
	From    int64     `json:"from"` // elapsed us of the boot; of rates and book a change's number
	To      int64     `json:"to"`
	Points  int64     `json:"points"`
	Why     string    `json:"why"`
	Example string    `json:"example"` // the first line; "": it was never sent
	LastAt  time.Time `json:"last_at"`
}

func refusedOf(target influx.Target, asides []ingest.ShipAside, again bool) refusedJSON {
	out := refusedJSON{"brimline/refused/1", target.String(), target.Bench, again, []stretchJSON{}}
	for _, a := range asides {
		out.Stretches = append(out.Stretches, stretchJSON{a.Stream, a.Boot, a.From, a.To, a.Points, a.Why, a.Example, a.At.UTC()})
	}
	return out
}

func printRefused(w io.Writer, target influx.Target, asides []ingest.ShipAside, again bool) error {
	var err error
	say := func(format string, args ...any) {
		if err == nil {
			_, err = fmt.Fprintf(w, format+"\n", args...)
		}
	}
	if len(asides) == 0 {
		say("%s: nothing of bench %q was set aside", target, target.Bench)
	}
	for _, a := range asides {
		where := ""
		if a.Boot != 0 {
			where = fmt.Sprintf(", boot %d, %.1f s to %.1f s", a.Boot, float64(a.From)/1e6, float64(a.To)/1e6)
		}
		say("%s%s: %d points, last at %s: %s", a.Stream, where, a.Points, a.At.UTC().Format(time.RFC3339), a.Why)
		if a.Example != "" {
			say("  for example %s", a.Example)
		}
	}
	switch {
	case again:
		say("It is sent anew when the daemon starts.")
	case len(asides) > 0:
		say("Mend the cause, stop the daemon, then: brimline refused --send-again")
	}
	return err
}
