package report

import (
	"strings"
	"testing"
	"time"
)

// A date of a board whose clock was never set is not shown as if it were one.
func TestDatesOfAClockThatWasNeverSet(t *testing.T) {
	for at, unset := range map[time.Time]bool{
		time.Unix(8, 0).UTC():                               true,
		time.Date(1970, 12, 31, 23, 59, 0, 0, time.UTC):     true,
		time.Date(1971, 1, 1, 0, 0, 0, 0, time.UTC):         false,
		time.Date(2026, 4, 9, 7, 30, 0, 0, time.UTC):        false,
		time.Unix(0, 0).In(time.FixedZone("west", -3*3600)): true,
		{}: false, // not noted at all
	} {
		for _, text := range []string{moment(at), day(at)} {
			if strings.Contains(text, "clock not set") != unset {
				t.Errorf("%v is shown as %q", at, text)
			}
		}
	}
}
