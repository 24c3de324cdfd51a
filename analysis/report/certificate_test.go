package report

import (
	"bytes"
	"math"
	"strings"
	"testing"
	"time"
)

func smallCertificate() Certificate {
	nan := math.NaN()
	return Certificate{
		Number: "7", Channel: "tube <1> & co", At: time.Date(2031, 3, 4, 9, 30, 0, 0, time.UTC), TempC: nan, With: "masses of class M1",
		CountsPerGram: 2147.31, U95: 0.42, K: 2.02, DF: 41, ZeroCounts: -51_000, UZeroCounts: 4, UReadings: 0.18, UMasses: 0.1, FromG: 0, ToG: 200,
		Properties: []CertificateProperty{{Name: "Linearity", Says: "at 100 g", G: -0.0123, Pct: 0.00615, LimitPct: 0.1}, {Name: "Creep", G: nan, Pct: nan, LimitPct: 0.1}},
		Points: []CertificatePoint{
			{Load: "0 g", Counts: -51_003, U: 6, ResidualG: -0.0014, Cycle: 1},
			{Load: "100 g", MassG: 100, MPEG: 0.005, Counts: 163_700, U: 6, ResidualG: 0.0102, Cycle: 1},
			{Load: "200 g", MassG: 200, MPEG: 0.010, Counts: 378_460, U: 7, ResidualG: -0.0042, Cycle: 1},
		},
		BandG: []BandPoint{{0, 0.004}, {200, 0.04}}, LimitG: 0.21,
	}
}

func TestCertificate(t *testing.T) {
	var a, b bytes.Buffer
	for _, w := range []*bytes.Buffer{&a, &b} {
		if err := RenderCertificate(w, smallCertificate()); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(a.Bytes(), b.Bytes()) {
		t.Error("the same certificate gave other bytes")
	}
	page := a.String()
	for _, want := range []string{
		"One gram gives 2147.31\u00a0±\u00a00.42 counts", "tube &lt;1&gt; &amp; co", "−0.012", "0.0062\u00a0%", "−51003.0", "4 March", // counts with u's digits
		"<dt>that is</dt><dd>±\u00a00.020\u00a0%</dd>", "may be off by 0.21\u00a0g",
	} {
		if !strings.Contains(strings.ReplaceAll(page, "4\u00a0March", "4 March"), want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	for _, bad := range []string{"tube <1>", "NaN", "ZgotmplZ", "<script", "http:", "https:"} {
		if strings.Contains(page, bad) {
			t.Errorf("the page holds %q", bad)
		}
	}
	// Creep was not measured: dashes, and no zero.
	if i := strings.Index(page, "Creep"); i < 0 || strings.Count(page[i:i+160], missing) != 2 {
		t.Error("what was not measured is not shown as missing")
	}
	if !strings.Contains(page, "<dt>u from the bend</dt><dd>not counted</dd>") {
		t.Error("a certificate from before the bend was counted shows it as nought")
	}
	c := smallCertificate()
	c.UBend = 0.0312
	c.Poor, c.Simulated = "Refused: not kept.", true
	a.Reset()
	if err := RenderCertificate(&a, c); err != nil || !strings.Contains(a.String(), "Refused: not kept.") || !strings.Contains(a.String(), "Simulated bench.") ||
		!strings.Contains(a.String(), "<dt>u from the bend</dt><dd>0.031 counts/g</dd>") {
		t.Errorf("refused and simulated: %v", err)
	}
}

func TestCertificateRefuses(t *testing.T) {
	for name, change := range map[string]func(c *Certificate){
		"no channel": func(c *Certificate) { c.Channel = "" },
		"no points":  func(c *Certificate) { c.Points = nil },
		"no span":    func(c *Certificate) { c.CountsPerGram = math.NaN() },
		"span 0":     func(c *Certificate) { c.CountsPerGram = 0 },
	} {
		c := smallCertificate()
		change(&c)
		var b bytes.Buffer
		if err := RenderCertificate(&b, c); err == nil || b.Len() > 0 {
			t.Errorf("%s: %v, %d bytes", name, err, b.Len())
		}
	}
	if err := RenderCertificate(fullDisk{}, smallCertificate()); err == nil || !strings.Contains(err.Error(), "free space") {
		t.Errorf("a full disk: %v", err)
	}
}

// What is not known at all must not stop the page.
func TestCertificateOfLittle(t *testing.T) {
	nan := math.NaN()
	c := Certificate{Channel: "a", CountsPerGram: -3, U95: nan, K: nan, DF: nan, ZeroCounts: nan, UZeroCounts: nan, UReadings: nan, UMasses: nan, FromG: nan, ToG: nan, TempC: nan, LimitG: nan,
		Points: []CertificatePoint{{MassG: nan, MPEG: nan, Counts: nan, U: nan, ResidualG: nan}}}
	var b bytes.Buffer
	if err := RenderCertificate(&b, c); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(b.String(), "NaN") {
		t.Error("the page holds NaN")
	}
}
