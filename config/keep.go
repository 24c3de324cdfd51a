package config

import "fmt"

const (
	maxWatchDays = 36_500
	maxFreeMB    = 1e9
	maxLeftH     = 87_600
)

// store reads [store].
func (ck *checker) store(top func(key string) value) Store {
	before := len(ck.problems)
	s := Store{
		Dir:        ck.words(top("store.dir"), 4096),
		WatchDays:  ck.number(top("store.watch_days"), 0, maxWatchDays, "days, 0 for ever"),
		WarnFreeMB: ck.number(top("store.warn_free_mb"), 0, maxFreeMB, "MB"),
		ThinFreeMB: ck.number(top("store.thin_free_mb"), 0, maxFreeMB, "MB"),
		StopFreeMB: ck.number(top("store.stop_free_mb"), 0, maxFreeMB, "MB"),
		WarnLeftH:  ck.number(top("store.warn_left_h"), 0, maxLeftH, "hours"),
		ThinLeftH:  ck.number(top("store.thin_left_h"), 0, maxLeftH, "hours"),
		StopLeftH:  ck.number(top("store.stop_left_h"), 0, maxLeftH, "hours"),
	}
	if len(ck.problems) > before {
		return s // a value that is wrong is above or below nothing
	}
	ck.falling("MB", "_free_mb", s.WarnFreeMB, s.ThinFreeMB, s.StopFreeMB)
	ck.falling("hours", "_left_h", s.WarnLeftH, s.ThinLeftH, s.StopLeftH)
	return s
}

// falling reports a threshold that is above the one that is reached before it.
func (ck *checker) falling(unit, suffix string, warn, thin, stop float64) {
	if thin > warn {
		ck.add("store.thin"+suffix, shown(thin), fmt.Sprintf("must not be above warn%s, %v %s: the bench warns before it deletes", suffix, warn, unit), "lower it, or raise the other")
	}
	if stop > thin {
		ck.add("store.stop"+suffix, shown(stop), fmt.Sprintf("must not be above thin%s, %v %s: the oldest make way before the watch stops", suffix, thin, unit), "lower it, or raise the other")
	}
}
