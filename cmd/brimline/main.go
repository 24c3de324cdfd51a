// Command brimline measures the return flow of a set of injectors: it reads the
// bench, keeps every sample, fits rates with their uncertainty, and compares a set
// with itself, before with after. Run `brimline --help` for its commands.
//
// This package only wires: one file per command, and run, which tests call in
// process.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"github.com/spf13/cobra"
)

// Exit codes, the same for every command.
const (
	exitDone    = 0 // done
	exitFailed  = 1 // the work could not be done
	exitUsage   = 2 // bad usage or bad input
	exitFlagged = 3 // done, but the data carry flags that forbid a finding
)

// codedError is an error that ends the program with its own exit code. A nil
// err ends it silently: the output has said it already.
type codedError struct {
	code int
	err  error
}

func (e *codedError) Error() string {
	if e.err == nil {
		return "done with flags"
	}
	return e.err.Error()
}

func (e *codedError) Unwrap() error { return e.err }

// badInput marks err as the user's to mend: bad usage, or a file that is not as it must be.
func badInput(err error) error { return &codedError{exitUsage, err} }

// flagged ends a command whose result is printed but may not be acted on.
func flagged() error { return &codedError{exitFlagged, nil} }

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), endSignals()...)
	code := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// endSignals are those that end a command in good order: valves released, the run kept. One
// is a terminal that goes, as when the network to the board does, unless it is to be
// ignored, as under nohup.
func endSignals() []os.Signal {
	s := []os.Signal{os.Interrupt, syscall.SIGTERM}
	if !signal.Ignored(syscall.SIGHUP) {
		s = append(s, syscall.SIGHUP)
	}
	return s
}

// run runs one command and returns its exit code.
func run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	root := newRoot()
	root.SetArgs(args)
	root.SetIn(stdin)
	root.SetOut(stdout)
	root.SetErr(stderr)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitDone
	}
	var coded *codedError
	if errors.As(err, &coded) {
		if coded.err != nil {
			fmt.Fprintf(stderr, "brimline: %v\n", err)
		}
		return coded.code
	}
	fmt.Fprintf(stderr, "brimline: %v\n", err)
	return exitFailed
}

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:   "brimline",
		Short: "An automated leak-off rig: return flow per injector, with its uncertainty",
		Long: `brimline weighs what each injector of a common-rail engine sends back down its
return line, all tubes at once, and says how much that is in mL/min, how sure
the figure is, and whether one injector stands apart from its set.

Follow the vehicle maker's procedure, local codes and the advice of licensed
practice; they come before anything said here. The bench connects to the
low-pressure return only.`,
		Example: "  brimline demo                 a simulated afternoon, end to end\n" +
			"  brimline rates curves.csv     rates from a recorded curve\n" +
			"  brimline serve --sim          the daemon and its page on a simulated bench",
		SilenceUsage:  true,
		SilenceErrors: true,
	}
	// Flags wrap within a terminal's width.
	root.SetUsageTemplate(strings.ReplaceAll(root.UsageTemplate(), ".FlagUsages", ".FlagUsagesWrapped 80"))
	// An unknown flag is bad usage, not a failure.
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return badInput(fmt.Errorf("%s: %s; see '%s --help'", c.CommandPath(), flagSays(err), c.CommandPath()))
	})
	root.AddCommand(newDemoCommand(), newServeCommand(), newChannelsCommand(), newTestCommand(), newRatesCommand(), newCompareCommand(), newPlanCommand(), newHistoryCommand(), newEventCommand(), newCalibrateCommand(), newImportCommand(), newExportCommand(), newVerifyCommand(), newBackupCommand(), newRestoreCommand(), newRefusedCommand(), newConfigCommand(), newVersionCommand())
	return root
}

// flagSays words a flag's wrong value for people: the parser's own words name Go's
// functions.
func flagSays(err error) string {
	text := err.Error()
	for _, x := range []struct{ words, says string }{
		{": strconv.ParseFloat:", "a number is needed, with a decimal point, such as 19.5"},
		{": strconv.ParseInt:", "a whole number is needed"},
		{": time: ", "a time with its unit is needed, such as 90s, 5m or 1h"},
	} {
		if before, _, found := strings.Cut(text, x.words); found {
			return before + ": " + x.says
		}
	}
	return text
}

// usageArgs turns a wrong count of arguments into bad usage with a hint.
func usageArgs(check cobra.PositionalArgs) cobra.PositionalArgs {
	return func(c *cobra.Command, args []string) error {
		if err := check(c, args); err != nil {
			return badInput(fmt.Errorf("%s: %w; see '%s --help'", c.CommandPath(), err, c.CommandPath()))
		}
		return nil
	}
}
