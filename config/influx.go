package config

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
)

const (
	minBackfillPointsPerS = 100 // a bench at 10 readings a second and tube, or one that ships no raw samples, catches up so
	maxBackfillPointsPerS = 100_000
	minBatchPoints        = 100
	maxBatchPoints        = 20_000 // of about 100 bytes: servers refuse bodies of some megabytes
)

// isSecret reports whether a key sounds like one that would hold a secret.
func isSecret(key string) bool {
	return slices.Contains([]string{"token", "password", "user", "username", "secret", "api_token", "auth"}, strings.ToLower(key))
}

// influx reads [influx]. A table without url is left alone: nothing is shipped.
func (ck *checker) influx(top func(key string) value, bench string, channels []Channel) Influx {
	text := func(key string) string {
		v := top("influx." + key)
		if v.raw == nil {
			return ""
		}
		return ck.words(v, 4096)
	}
	x := Influx{
		URL:                ck.influxURL(top("influx.url")),
		Bucket:             text("bucket"),
		Org:                text("org"),
		TokenFile:          text("token_file"),
		Raw:                ck.oneOf(top("influx.raw"), "all", "means", "none"),
		BackfillPointsPerS: ck.wholeNumber(top("influx.backfill_points_per_s"), minBackfillPointsPerS, maxBackfillPointsPerS),
		BatchPoints:        ck.wholeNumber(top("influx.batch_points"), minBatchPoints, maxBatchPoints),
	}
	urlGiven, bucketGiven := top("influx.url").raw != nil, top("influx.bucket").raw != nil
	switch {
	case urlGiven && !bucketGiven:
		ck.add("influx.bucket", "", "missing: a url needs the bucket that is written to", `for a 1.8 the database, "benches" or with its retention policy "benches/autogen"`)
	case bucketGiven && !urlGiven:
		ck.add("influx.url", "", "missing: a bucket needs the server's address", `for example url = "http://office:8086", or take [influx] out`)
	}
	gives := 0
	for _, ch := range channels {
		if ch.Sensor != "ads1115" { // its inputs share its rate
			gives += ch.SPS
		}
	}
	if pace := x.BackfillPointsPerS; urlGiven && x.Raw == "all" && pace > 0 && pace <= gives {
		ck.wrong(top("influx.backfill_points_per_s"), fmt.Sprintf("must be above the %d readings a second that the channels give, or what is behind is never caught up", gives), `twice that or more is good; raw = "means" ships less`)
	}
	if urlGiven && bench == defaults["bench.name"] {
		ck.add("influx.url", shown(x.URL), fmt.Sprintf("the bench is called %q, as every bench is that has no name: in a shared bucket nobody could tell them apart", bench), "give it a name of its own in [bench]")
	}
	return x
}

// influxURL reads the server's address. What might be a password in it is not repeated.
func (ck *checker) influxURL(v value) string {
	if v.raw == nil {
		return ""
	}
	s, ok := v.raw.(string)
	if !ok {
		return ck.words(v, 4096)
	}
	const try = `for example url = "http://office:8086"`
	u, err := url.Parse(s)
	switch {
	case err == nil && u.User != nil, err != nil && strings.Contains(s, "@"):
		v.raw = "..."
		ck.wrong(v, "holds a user or a password, and no secret may stand in this file", "write user:password to a file of its own and name that in token_file")
	case err != nil:
		ck.wrong(v, "cannot be read as an address", try)
	case u.Scheme != "http" && u.Scheme != "https":
		ck.wrong(v, "must begin with http:// or https://", try)
	case u.Hostname() == "":
		ck.wrong(v, "names no host", try)
	case u.RawQuery != "" || u.Fragment != "":
		v.raw = u.Scheme + "://" + u.Host + "..."
		ck.wrong(v, "must end with the host, its port or a path", "org and bucket are keys of their own")
	default:
		return strings.TrimRight(s, "/")
	}
	return ""
}

// wholeNumber is whole for a value that the environment may hold as text.
func (ck *checker) wholeNumber(v value, lo, hi int) int {
	if text, ok := v.raw.(string); ok && v.env != "" {
		if n, err := strconv.ParseInt(text, 10, 64); err == nil {
			v.raw = n
		}
	}
	return ck.whole(v, lo, hi)
}
