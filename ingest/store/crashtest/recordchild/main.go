// Command recordchild records an imagined bench into a store until it is stopped, and
// acknowledges on its standard output what the store said is kept. The crash tests
// build it and end it.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"

	"brimline/ingest/store/crashtest"
)

func main() {
	var opt crashtest.RecordOptions
	path := flag.String("store", "", "file of the store")
	flag.Uint64Var(&opt.Bench.Seed, "seed", 1, "of the bench's samples")
	flag.IntVar(&opt.Bench.Channels, "channels", 4, "channels of the bench")
	flag.IntVar(&opt.Bench.PerS, "per-s", 80, "samples of a channel in a second")
	flag.BoolVar(&opt.Early, "early", false, "acknowledge before the store is asked")
	flag.IntVar(&opt.Samples, "samples", 0, "end after so many (0: never)")
	flag.BoolVar(&opt.Paced, "paced", false, "no faster than a real bench")
	flag.Parse()
	err := crashtest.Record(context.Background(), *path, opt, func(line string) { os.Stdout.WriteString(line) })
	if err != nil {
		fmt.Fprintf(os.Stderr, "recordchild: %v\n", err)
		os.Exit(1)
	}
}
