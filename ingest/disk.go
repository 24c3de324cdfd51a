package ingest

import (
	"fmt"
	"syscall"
)

// Disk tells how much room there is.
type Disk interface {
	// Free returns the bytes that this user may still write.
	Free() (bytes int64, err error)
	// String names the place, for messages.
	String() string
}

// Folder is the disk that a folder is on.
type Folder string

// Free asks the system (statfs(2)).
func (f Folder) Free() (int64, error) {
	var s syscall.Statfs_t
	if err := syscall.Statfs(string(f), &s); err != nil {
		return 0, fmt.Errorf("asking for the free space at %s: %w: check that the folder is there and its disk mounted", string(f), err)
	}
	return int64(s.Bavail) * int64(s.Bsize), nil
}

// String returns the folder.
func (f Folder) String() string { return string(f) }
