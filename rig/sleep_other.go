//go:build !linux

package rig

import "time"

func sleep(d time.Duration) { time.Sleep(d) }
