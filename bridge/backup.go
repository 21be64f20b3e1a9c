package main

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"time"

	"github.com/google/uuid"

	"nailbridge/internal/config"
	"nailbridge/internal/erasures"
	"nailbridge/internal/store/sqlite"
)

type backupCommand struct {
	Data          string `required:"" type:"existingdir" help:"Data folder."`
	Into          string `required:"" type:"path" placeholder:"FILE" help:"Backup to make; it must not exist."`
	NamespaceInto string `type:"path" placeholder:"FILE" help:"Write the secret namespace of ids to this file too, to be kept apart from backups."`
}

// Run makes a backup beside whatever serves the data folder.
func (c backupCommand) Run(e *env) error {
	if c.Into == c.NamespaceInto {
		return errors.New("--namespace-into: the secret never goes into the backup; name another file")
	}
	namespace, err := config.ReadNamespace(filepath.Join(c.Data, config.NamespaceFile))
	if err != nil {
		return fmt.Errorf("namespace of ids: %w", err)
	}
	st, err := sqlite.Open(e.ctx, sqlite.Options{Dir: c.Data, ReadOnly: true})
	if err != nil {
		return fmt.Errorf("data folder: %w", err)
	}
	taken := sqlite.Taken{At: e.clock().UTC(), Namespace: erasures.Mark(namespace)}
	if err := errors.Join(st.Backup(e.ctx, c.Into, taken), st.Close()); err != nil {
		return err
	}
	fmt.Fprintf(e.stdout, "backup of %s: everything that was answered before then is in it\n", taken.At.Format(time.RFC3339Nano))
	if c.NamespaceInto == "" {
		fmt.Fprintf(e.stdout, "without the namespace of its ids, which is to be kept apart: %s\n", filepath.Join(c.Data, config.NamespaceFile))
		return nil
	}
	return exportNamespace(c.NamespaceInto, namespace)
}

// exportNamespace writes a namespace file, unless it is there already.
func exportNamespace(path string, namespace uuid.UUID) error {
	switch has, err := config.ReadNamespace(path); {
	case err == nil && has == namespace:
		return nil
	case err == nil:
		return fmt.Errorf("%s: holds another namespace", path)
	case !errors.Is(err, fs.ErrNotExist):
		return err
	}
	return config.WriteNamespace(path, namespace)
}
