package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"brimline/ingest/store"
)

func newBackupCommand() *cobra.Command {
	var data, configFile string
	var asJSON bool
	c := &cobra.Command{
		Use:   "backup DEST",
		Short: "Copy the store to another place, also while the daemon writes",
		Long: `Backup copies the store to DEST, a file that does not exist yet, as it is at
one moment; the daemon goes on meanwhile. The copy is brought to the disk and
read back before it gets its name, so what stands at DEST is whole. A store that
is damaged beyond mending is refused, and what is damaged is named; readings
that were lost and set aside earlier keep nobody from a backup.`,
		Example: "  brimline backup /media/stick/bench-may.db\n  brimline backup bench.db --data /srv/brimline --json",
		Args:    usageArgs(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			dest := args[0]
			path, err := storePath(data, configFile)
			if err != nil {
				return fmt.Errorf("backup: %w", err)
			}
			check, err := store.Backup(c.Context(), path, dest)
			if errors.Is(err, store.ErrExists) || errors.Is(err, os.ErrNotExist) {
				return badInput(err)
			}
			if err != nil {
				return err
			}
			if asJSON {
				return json.NewEncoder(c.OutOrStdout()).Encode(struct {
					Schema string       `json:"schema"`
					Backup verifiedJSON `json:"backup"`
				}{"brimline/backup/1", verifiedOf(dest, check)})
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "%s: %d samples in %d chunks, %s, read back and sound\n%s", dest, check.Samples, check.Chunks, sizeText(check.Bytes), setAsideText(check))
			return err
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON, schema brimline/backup/1")
	storeFlags(c, &data, &configFile)
	return c
}

func newRestoreCommand() *cobra.Command {
	var data, configFile string
	var asJSON bool
	c := &cobra.Command{
		Use:   "restore BACKUP",
		Short: "Put a backup in the place of the store, which is kept beside it",
		Long: `Restore reads a backup wholly, and if it is sound puts a copy of it in the place
of the bench's store (--data with a file's name: of that). The daemon must be
stopped, and nobody may read the store. The store that was there is kept beside
it under a name with the date, for example
brimline.before-2026-05-02-141500.db. At any kill or power cut the store is the
one or the other, whole. The copy gets the owner of the store before.`,
		Example: "  brimline restore /media/stick/bench-may.db\n  brimline restore bench.db --data /srv/brimline",
		Args:    usageArgs(cobra.ExactArgs(1)),
		RunE: func(c *cobra.Command, args []string) error {
			path, err := restorePath(data, configFile)
			if err != nil {
				return fmt.Errorf("restore: %w", err)
			}
			done, err := store.Restore(c.Context(), args[0], path, time.Now())
			if errors.Is(err, os.ErrNotExist) || errors.Is(err, store.ErrConflict) {
				return badInput(err)
			}
			if err != nil {
				return err
			}
			if asJSON {
				return json.NewEncoder(c.OutOrStdout()).Encode(struct {
					Schema string       `json:"schema"`
					Store  verifiedJSON `json:"store"`
					Aside  string       `json:"aside"` // where the store before is kept; empty when there was none
				}{"brimline/restore/1", verifiedOf(path, done.Check), done.Aside})
			}
			fmt.Fprintf(c.OutOrStdout(), "%s: restored, %d samples in %d chunks, read back and sound\n%s", path, done.Samples, done.Chunks, setAsideText(done.Check))
			if done.Aside != "" {
				fmt.Fprintf(c.OutOrStdout(), "The store before is kept as %s; delete it when you no longer need it.\n", done.Aside)
			}
			return nil
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print JSON, schema brimline/restore/1")
	storeFlags(c, &data, &configFile)
	return c
}

// setAsideText says what a sound copy notes as lost before.
func setAsideText(c store.Check) string {
	if n := c.SetAside(); n > 0 {
		return fmt.Sprintf("Readings that were lost earlier are noted in it (%d times; 'brimline verify'\nlists them).\n", n)
	}
	return ""
}

func storeFlags(c *cobra.Command, data, configFile *string) {
	c.Flags().StringVar(data, "data", "", "the store's folder, or its file (default: the config's)")
	c.Flags().StringVar(configFile, "config", "bench.toml", "config that names the store's folder, where --data is not given")
}

// restorePath is the store that is to be replaced, which may be gone. A folder stands for the
// bench's own in it, never for the simulated one: that is restored by its file's name.
func restorePath(data, configFile string) (string, error) {
	if data == "" {
		cfg, err := loadStoreConfig(configFile)
		if err != nil {
			return "", err
		}
		data = cfg.Store.Dir
	}
	info, err := os.Stat(data)
	switch {
	case err == nil && info.IsDir():
		return filepath.Join(data, realStore), nil
	case errors.Is(err, os.ErrNotExist) && filepath.Ext(data) != ".db":
		return "", badInput(fmt.Errorf("there is no folder %s: make it, or name the store's file (*.db)", data))
	case errors.Is(err, os.ErrNotExist):
		return data, nil
	}
	return data, err
}
