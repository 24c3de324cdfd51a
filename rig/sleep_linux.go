package rig

import (
	"syscall"
	"time"
)

// sleep waits for d in the kernel, which holds the goroutine's thread meanwhile.
func sleep(d time.Duration) {
	left := syscall.NsecToTimespec(int64(d))
	for syscall.Nanosleep(&left, &left) == syscall.EINTR { // a signal, of which the runtime sends many
	}
}
