package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"brimline/config"
	"brimline/ingest/store"
)

func newVerifyCommand() *cobra.Command {
	var asJSON bool
	var configFile string
	c := &cobra.Command{
		Use:   "verify [STORE]",
		Short: "Check that everything in a store can be read back",
		Long: `Verify reads the whole of a store, a backup or one in use, and checks it: every
page against its checksum, every chunk of samples by decoding it, every summary
against its samples, every reference between tables. It changes nothing and may
run while the daemon writes. STORE is the file or its folder; without it, the
config's.

Exit codes: 0 sound; 3 something is damaged, and the list says what is lost and
what to do; 1 it could not be checked at all, for example because its first page
is gone.`,
		Example: "  brimline verify\n  brimline verify /srv/brimline/brimline.db --json\n  brimline verify stick/backup.db",
		Args:    usageArgs(cobra.MaximumNArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			ref := ""
			if len(args) > 0 {
				ref = args[0]
			}
			path, err := storePath(ref, configFile)
			if err != nil {
				return fmt.Errorf("verify: %w", err)
			}
			check, err := store.Verify(c.Context(), path)
			if err != nil {
				return err
			}
			if asJSON {
				err = json.NewEncoder(c.OutOrStdout()).Encode(verifiedOf(path, check))
			} else {
				err = printCheck(c.OutOrStdout(), path, check)
			}
			if err == nil && len(check.Damaged) > 0 {
				err = flagged()
			}
			return err
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON, schema brimline/verify/1")
	c.Flags().StringVar(&configFile, "config", "bench.toml", "config that names the store's folder, where STORE is not given")
	return c
}

// storePath is the store's file: ref is that, or its folder; without it the folder is the
// config's.
func storePath(ref, configFile string) (string, error) {
	if ref == "" {
		cfg, err := loadStoreConfig(configFile)
		if err != nil {
			return "", err
		}
		ref = cfg.Store.Dir
	}
	info, err := os.Stat(ref)
	if errors.Is(err, os.ErrNotExist) {
		return "", badInput(fmt.Errorf("there is no file or folder %s: check the path", ref))
	}
	if err != nil || !info.IsDir() {
		return ref, err
	}
	for _, name := range []string{realStore, simStore} {
		path := filepath.Join(ref, name)
		if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
			return path, nil
		}
	}
	return "", badInput(fmt.Errorf("%s holds no store (%s or %s): name the folder that --data of serve or --out of demo named, or the store's file", ref, realStore, simStore))
}

func loadStoreConfig(file string) (*config.Config, error) {
	cfg, err := config.Load(file)
	if errors.Is(err, os.ErrNotExist) {
		return nil, badInput(fmt.Errorf("no store is named and there is no config %s: name the store's file or folder, or the config with --config", file))
	}
	if err != nil {
		return nil, badInput(err)
	}
	return cfg, nil
}

// verifiedJSON is schema brimline/verify/1.
type verifiedJSON struct {
	Schema         string        `json:"schema"`
	Path           string        `json:"path"`
	Version        int           `json:"version"` // the store's schema
	Samples        int64         `json:"samples"` // read back whole
	Chunks         int64         `json:"chunks"`
	Thinned        int64         `json:"thinned"` // chunks whose raw samples were deleted to save space
	Bytes          int64         `json:"bytes"`
	BytesPerSample float64       `json:"bytes_per_sample"` // of the file, over samples; 0 without samples
	Damaged        []damagedJSON `json:"damaged"`
}

type damagedJSON struct {
	What    string  `json:"what"` // page, table, chunk, summary, tail, overview, reference, file
	Page    int64   `json:"page,omitempty"`
	Table   string  `json:"table,omitempty"`
	Row     string  `json:"row,omitempty"`
	Channel string  `json:"channel,omitempty"`
	Boot    int64   `json:"boot,omitempty"`
	FromS   float64 `json:"from_s,omitempty"` // of the boot's elapsed time
	ToS     float64 `json:"to_s,omitempty"`
	Mended  bool    `json:"mended"` // what is read is right all the same
	Says    string  `json:"says"`
}

func verifiedOf(path string, c store.Check) verifiedJSON {
	v := verifiedJSON{Schema: "brimline/verify/1", Path: path, Version: c.Schema, Samples: c.Samples, Chunks: c.Chunks, Thinned: c.Thinned,
		Bytes: c.Bytes, BytesPerSample: c.BytesPerSample(), Damaged: []damagedJSON{}}
	for _, d := range c.Damaged {
		v.Damaged = append(v.Damaged, damagedJSON{d.What, d.Page, d.Table, d.Row, d.Channel, d.BootID, d.From.Seconds(), d.To.Seconds(), d.Mended, d.Says})
	}
	return v
}

func printCheck(out io.Writer, path string, c store.Check) error {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %s, %.2f bytes a sample\n%d samples in %d chunks and the open minute\n", path, sizeText(c.Bytes), c.BytesPerSample(), c.Samples, c.Chunks)
	if c.Thinned > 0 {
		fmt.Fprintf(&b, "of the watch, %d chunks are kept as summaries only, by rule\n", c.Thinned)
	}
	const show = 40
	for i, d := range c.Damaged {
		if i == show {
			fmt.Fprintf(&b, "  and %d more (--json lists all)\n", len(c.Damaged)-show)
			break
		}
		fmt.Fprintf(&b, "  %s\n", d)
	}
	switch {
	case len(c.Damaged) == 0:
		b.WriteString("sound: every page, chunk and reference is as it was written\n")
	case !c.Lost():
		b.WriteString("Nothing is lost: what changed was put right as it was read. The medium begins to\n" +
			"fail, so back up now ('brimline backup'): the backup is sound, and restoring it\n" +
			"to another card or disk ends this.\n")
	case c.SetAside() == len(c.Damaged):
		b.WriteString("What is listed above was lost earlier and is noted; all else is sound. Back up\n" +
			"now ('brimline backup'), and use another card or disk: this one may be failing.\n")
	default:
		b.WriteString("What is listed above is lost here; all else is read as ever. Back up now\n" +
			"('brimline backup'). If that is refused, stop the daemon, keep a copy of the\n" +
			"file with its -wal, and put the last sound backup in its place\n" +
			"('brimline restore'). Use another card or disk.\n")
	}
	_, err := io.WriteString(out, b.String())
	return err
}

func sizeText(bytes int64) string {
	switch {
	case bytes < 1e6:
		return fmt.Sprintf("%.1f kB", float64(bytes)/1e3)
	case bytes >= 1e9:
		return fmt.Sprintf("%.1f GB", float64(bytes)/1e9)
	}
	return fmt.Sprintf("%.1f MB", float64(bytes)/1e6)
}
