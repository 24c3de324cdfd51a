package influx

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"

	influxhttp "github.com/influxdata/influxdb-client-go/v2/api/http"
)

// String names the target without its token.
func (t Target) String() string { return fmt.Sprintf("%s, bucket %s", t.URL, t.Bucket) }

// Key is what the store keeps the target's cursors under. A bench of another name is
// another target: its points are others.
func (t Target) Key() string {
	return strings.Join([]string{strings.TrimSuffix(t.URL, "/"), t.Org, t.Bucket, tagValue(t.Bench)}, "\n")
}

func (t Target) check() error {
	u, err := url.Parse(t.URL)
	switch {
	case err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https":
		return fmt.Errorf("shared database: address %q: give one such as http://office:8086", t.URL)
	case t.Bucket == "":
		return fmt.Errorf("shared database %s: no bucket is named: give it, for a 1.8 as database or database/policy", t.URL)
	case t.Bench == "":
		return fmt.Errorf("shared database %s: the bench has no name, so its points could not be told from another's: name it", t.URL)
	}
	return nil
}

// service is the client's door to the server.
func (t Target) service(timeout time.Duration) influxhttp.Service {
	authorization := ""
	if t.Token != "" {
		authorization = "Token " + t.Token
	}
	opt := influxhttp.DefaultOptions()
	opt.SetHTTPDoer(&door{http.Client{
		// A redirected POST comes as a GET, whose answer acknowledges nothing.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		Transport: &http.Transport{
			Proxy:               http.ProxyFromEnvironment,
			DialContext:         (&net.Dialer{Timeout: min(timeout, 10*time.Second)}).DialContext,
			TLSHandshakeTimeout: min(timeout, 10*time.Second),
			IdleConnTimeout:     90 * time.Second,
		},
	}})
	return influxhttp.NewService(strings.TrimSuffix(t.URL, "/")+"/", authorization, opt)
}

// answerMost is how much of a refusal's text is read.
const answerMost = 64 << 10

// door passes requests on and looks at the answers before the client does: it takes
// anything from 200 to 299 for an acknowledgement, also a page of a network that asks to
// log in first, and does not find what a 1.8 and a 3.x say of an error.
type door struct{ client http.Client }

func (d *door) Do(req *http.Request) (*http.Response, error) {
	resp, err := d.client.Do(req)
	if err != nil {
		return nil, err
	}
	writes := strings.HasSuffix(req.URL.Path, "/api/v2/write")
	if resp.StatusCode < 300 && (!writes || resp.StatusCode == http.StatusNoContent) {
		return resp, nil
	}
	defer resp.Body.Close()
	said, err := io.ReadAll(io.LimitReader(resp.Body, answerMost))
	if err != nil {
		return nil, err
	}
	// What is said is shown to everybody, and a gateway may repeat what it was sent.
	if token := strings.TrimPrefix(req.Header.Get("Authorization"), "Token "); token != "" {
		said = bytes.ReplaceAll(said, []byte(token), []byte("(token)"))
	}
	if resp.StatusCode < 400 {
		return nil, fmt.Errorf("%w: it answers %s", errNotInflux, resp.Status)
	}
	var answer struct{ Code, Message, Error string }
	if json.Unmarshal(said, &answer) == nil {
		said, err = json.Marshal(map[string]string{
			"code": cmp.Or(answer.Code, resp.Status), "message": cmp.Or(answer.Message, answer.Error, resp.Header.Get("X-Influxdb-Error"))})
		if err != nil {
			return nil, err
		}
		resp.Header.Set("Content-Type", "application/json")
	}
	resp.Body = io.NopCloser(bytes.NewReader(said))
	return resp, nil
}

// judge says what a failed request means: try again, refused for good, or a person must
// mend something.
func judge(err error) failure {
	var e *influxhttp.Error
	if !errors.As(err, &e) || e.StatusCode == 0 {
		if errors.Is(err, errNotInflux) {
			return failure{why: err.Error() + ": check the address, and whether this network asks to log in first", person: true}
		}
		if errors.Is(err, context.DeadlineExceeded) {
			return failure{why: "the server does not answer in time: is it overloaded, or the network slow?"}
		}
		return failure{why: "the server cannot be reached: " + err.Error() + ": is it running, and the network up?"}
	}
	said := shorten(e.Message)
	if said == "" {
		said = shorten(e.Error())
	}
	f := failure{after: time.Duration(e.RetryAfter) * time.Second}
	switch code := e.StatusCode; {
	case code == http.StatusUnauthorized, code == http.StatusForbidden:
		f.person = true
		f.why = fmt.Sprintf("the server refuses the token (%d: %s): write the right one into the token's file, with leave to write the bucket", code, said)
	case code == http.StatusNotFound:
		f.person = true
		f.why = fmt.Sprintf("the server knows no such bucket or organisation (%d: %s): make it there, or correct the config", code, said)
	case code == http.StatusTooManyRequests, code == http.StatusServiceUnavailable:
		f.why = fmt.Sprintf("the server asks to wait (%d: %s)", code, said)
	case code == http.StatusInsufficientStorage, code >= 500, code == http.StatusRequestTimeout:
		f.why = fmt.Sprintf("the server cannot take the points now (%d: %s): has its disk room?", code, said)
	case code == http.StatusRequestEntityTooLarge:
		f.refused = &refusal{why: fmt.Sprintf("%d: too large: %s", code, said)}
	case strings.Contains(said, "max-series-per-database") || strings.Contains(said, "max-values-per-tag"):
		// A full server, by its own limit: there is nothing wrong with the points.
		f.person = true
		f.why = fmt.Sprintf("the server is full (%d: %s): raise that limit of it, or remove old series", code, said)
	case code == http.StatusBadRequest, code == http.StatusUnprocessableEntity:
		f.refused = &refusal{why: fmt.Sprintf("%d: %s", code, droppedCount.ReplaceAllString(said, "")), dropped: dropped(said)}
	default:
		f.person = true
		f.why = fmt.Sprintf("%v: it answers %d (%s): check the address", errNotInflux, code, said)
	}
	return f
}

// shorten cuts what a server says to what a line of a screen takes.
func shorten(said string) string {
	said = strings.Join(strings.Fields(said), " ")
	if r := []rune(said); len(r) > 300 {
		return string(r[:300]) + "..."
	}
	return said
}
