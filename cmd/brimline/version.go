package main

import (
	"encoding/json"
	"fmt"
	"runtime"

	"github.com/spf13/cobra"
)

// version is set by the linker from the repository's state; see the Makefile.
var version = "devel"

func newVersionCommand() *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:     "version",
		Short:   "Print the program's version and what it was built for",
		Example: "  brimline version --json",
		Args:    usageArgs(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			if asJSON {
				return json.NewEncoder(c.OutOrStdout()).Encode(map[string]string{
					"schema": "brimline/version/1", "version": version,
					"go": runtime.Version(), "os": runtime.GOOS, "arch": runtime.GOARCH,
				})
			}
			fmt.Fprintf(c.OutOrStdout(), "brimline %s, %s, %s/%s\n", version, runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return nil
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return c
}
