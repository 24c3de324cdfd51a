package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"brimline/config"
)

func newConfigCommand() *cobra.Command {
	c := &cobra.Command{
		Use:     "config",
		Short:   "Check a bench's config file, or print one to begin with",
		Example: "  brimline config example > bench.toml\n  brimline config check bench.toml",
		Args:    usageArgs(cobra.NoArgs),
		RunE:    func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	var asJSON bool
	check := &cobra.Command{
		Use:   "check [FILE]",
		Short: "Say what a config file means, or everything that is wrong with it",
		Long: `Check reads a config file (bench.toml unless named) as the daemon would, the
environment's overrides included, and prints the bench that it understood. A file
with mistakes is answered with all of them at once, each with its line, and exit
code 2. Nothing is opened or powered.`,
		Example: "  brimline config check bench.toml\n  brimline config check bench.toml --json",
		Args:    usageArgs(cobra.MaximumNArgs(1)),
		ValidArgsFunction: func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
			return []string{"toml"}, cobra.ShellCompDirectiveFilterFileExt
		},
		RunE: func(c *cobra.Command, args []string) error {
			file := "bench.toml"
			if len(args) > 0 {
				file = args[0]
			}
			return checkConfig(c.OutOrStdout(), file, asJSON)
		},
	}
	check.Flags().BoolVar(&asJSON, "json", false, "print JSON, schema brimline/config/1")
	example := &cobra.Command{
		Use:   "example [" + strings.Join(config.ExampleNames(), "|") + "]",
		Short: "Print a commented config of a bench of six tubes",
		Long: `Example prints a commented config to begin with. Named, it is that of another bench:
hx711 (the one that is printed without a name: load cells, two pins each), shared-clock
(the same on one clock line), nau7802 (load cells on I2C, behind a multiplexer),
ads1115 (level senders on I2C).`,
		Example:   "  brimline config example > bench.toml\n  brimline config example nau7802 > bench.toml",
		Args:      usageArgs(cobra.MaximumNArgs(1)),
		ValidArgs: config.ExampleNames(),
		RunE: func(c *cobra.Command, args []string) error {
			text := config.Example
			if len(args) > 0 {
				var err error
				if text, err = config.ExampleOf(args[0]); err != nil {
					return badInput(fmt.Errorf("config example: %w", err))
				}
			}
			_, err := c.OutOrStdout().Write(text)
			return err
		},
	}
	c.AddCommand(check, example)
	return c
}

// checkConfig prints the bench or, with exit code 2, what is wrong with its file.
func checkConfig(out io.Writer, file string, asJSON bool) error {
	cfg, err := config.Load(file)
	if err == nil {
		if _, wrong := densityAsked(fuelOfConfig(cfg.Fuel)); wrong != nil {
			err = config.Problems{{File: file, Key: "fuel", Says: wrong.Error()}}
		}
	}
	var problems config.Problems
	switch {
	case asJSON:
		if err != nil && !errors.As(err, &problems) {
			problems = config.Problems{{File: file, Says: err.Error()}}
		}
		if problems == nil {
			problems = config.Problems{}
		}
		if encoding := json.NewEncoder(out).Encode(map[string]any{"schema": "brimline/config/1", "file": file, "config": cfg, "problems": problems}); encoding != nil {
			return encoding
		}
		if err != nil {
			return &codedError{exitUsage, nil}
		}
		return nil
	case errors.As(err, &problems) && len(problems) > 1:
		return badInput(fmt.Errorf("%s has %d mistakes:\n%w", file, len(problems), err))
	case err != nil:
		return badInput(err)
	}
	return printConfig(out, file, cfg)
}

func printConfig(out io.Writer, file string, c *config.Config) error {
	fmt.Fprintf(out, "%s: %s, %d channels\n\n", file, c.Bench.Name, len(c.Channels))
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "channel\ttube\tsensor\twired to\trate\trange")
	for _, ch := range c.Channels {
		scope := fmt.Sprintf("gain %d", ch.Gain)
		if ch.Gain == 0 {
			scope = fmt.Sprintf("%g V", ch.RangeV)
		}
		fmt.Fprintf(w, "%s\t%g mL\t%s\t%s\t%d SPS\t%s\n", ch.Name, ch.CapacityML, ch.Sensor, ch.Wiring(), ch.SPS, scope)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(out, "\nrun     %g s, with %g s of rest before and after\n", c.Run.DurationS, c.Run.StillS)
	fuel := c.Fuel.Kind + ", density not given: grams only"
	if !slices.ContainsFunc(c.Channels, func(ch config.Channel) bool { return !feelsLevel(ch) }) {
		fuel = c.Fuel.Kind + ", density not given: millilitres only"
	}
	if f := fuelOfConfig(c.Fuel); tubesGPerML(f) > 0 {
		fuel = fuelWords(f)
	} else if c.Fuel.TemperatureC != nil {
		fuel += fmt.Sprintf(", %g °C", *c.Fuel.TemperatureC)
	}
	fmt.Fprintf(out, "valves  %s\n", outletWords(c))
	fmt.Fprintf(out, "fuel    %s\nstore   %s\nkept    %s\npage    http://%s/\n", fuel, c.Store.Dir, keptWords(c.Store), c.Serve.Listen)
	limits := "none set"
	own := strings.Join(slices.DeleteFunc([]string{rangeWords(c.Limits.LowMLPerMin, c.Limits.HighMLPerMin, "mL/min"),
		rangeWords(c.Limits.LowRatio, c.Limits.HighRatio, "times the others")}, func(w string) bool { return w == "" }), ", ")
	if own != "" {
		limits = "your own: " + own
	}
	_, err := fmt.Fprintf(out, "limits  %s\n", limits)
	if k := c.Compare; err == nil && k.HangingSDPercent != nil {
		_, err = fmt.Fprintf(out, "compare margin %g %%, spread between hangings %g %% with %g degrees of freedom\n", k.MarginPercent, *k.HangingSDPercent, *k.HangingDF)
	}
	return err
}

// rangeWords is "5 to 40 mL/min", or one end of it; empty where neither is set.
func rangeWords(lo, hi *float64, unit string) string {
	switch {
	case lo != nil && hi != nil:
		return fmt.Sprintf("%g to %g %s", *lo, *hi, unit)
	case lo != nil:
		return fmt.Sprintf("at least %g %s", *lo, unit)
	case hi != nil:
		return fmt.Sprintf("at most %g %s", *hi, unit)
	}
	return ""
}

// outletWords is what a config's outputs are, on one line.
func outletWords(c *config.Config) string {
	var valves []string
	for _, ch := range c.Channels {
		if ch.ValvePin != nil {
			valves = append(valves, fmt.Sprintf("%s %d", ch.Name, *ch.ValvePin))
		}
	}
	alarm := "no alarm"
	if c.Outlets.AlarmPin != nil {
		alarm = fmt.Sprintf("alarm %d", *c.Outlets.AlarmPin)
	}
	if len(valves) == 0 {
		return "none: a person stops the flow; " + alarm
	}
	return fmt.Sprintf("%s (%s), heartbeat %d, %s", strings.Join(valves, ", "), c.Outlets.Valve, *c.Outlets.HeartbeatPin, alarm)
}
