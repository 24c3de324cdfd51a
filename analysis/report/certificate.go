package report

import (
	"bytes"
	_ "embed"
	"errors"
	"fmt"
	"html/template"
	"io"
	"math"
	"strconv"
	"strings"
	"time"
)

//go:embed certificate.html
var certificateText string

var certificateTemplate = template.Must(template.New("certificate").Parse(certificateText))

// Certificate is one channel's calibration as it is printed: plain numbers, made by
// whoever calibrated. Numbers that are not known are NaN, times zero.
type Certificate struct {
	Number    string // as the store counts it; empty: not kept
	Channel   string
	Bench     string
	Sensor    string
	Simulated bool
	At, Due   time.Time
	By        string
	TempC     float64 // of the air
	Unit      string  // "g", or "mm" of a level sender: then all that is named grams below is mm
	With      string  // what was put on: "masses of class M1 (OIML R 111-1:2004)"
	Poor      string  // why it must not be used, or that it was kept all the same; empty: neither

	CountsPerGram, U95, K, DF float64 // the line's span with the half width of its 95 % interval
	ZeroCounts, UZeroCounts   float64 // counts of the empty channel, standard uncertainty
	UReadings, UMasses, UBend float64 // parts of the span's standard uncertainty, counts/g; UBend: of what is not straight
	FromG, ToG                float64 // loads used

	Properties []CertificateProperty
	Points     []CertificatePoint
	BandG      []BandPoint // half width of the line's 95 % band in grams, by rising load
	LimitG     float64     // of a residual, for the picture's note
	Remarks    []string
	Steady     string // the rule by which readings were taken
	Version    string
}

// CertificateProperty is one line of the table of properties.
type CertificateProperty struct {
	Name     string
	Says     string  // at which load, over what time
	G        float64 // NaN: not measured
	Pct      float64 // of the span of loads
	LimitPct float64
}

// CertificatePoint is one loading, in the order of time.
type CertificatePoint struct {
	Load      string
	MassG     float64
	MPEG      float64
	Cycle     int
	Down      bool
	Counts, U float64 // mean and its standard uncertainty
	ResidualG float64 // counts less the line, as grams
}

// BandPoint is the half width of the line's 95 % band at one load.
type BandPoint struct{ MassG, U95G float64 }

type certificateView struct {
	*Certificate
	Style      template.CSS
	PageFoot   template.CSS
	Facts      []pair
	Lead       string
	Line       []pair
	Rows       [][]string
	PointRows  [][]string
	Picture    template.HTML
	PictureSay string
	Load, Per  string  // "mass", "gram"; of a level sender "level", "mm"
	Tolerance  float64 // what a tolerance is shown times, in
	TolUnit    string
	Cautions   []string
}

// RenderCertificate writes the certificate as one HTML file to w, in the manner of
// Render: no script, no network, prints on A4. The same Certificate gives the same
// bytes.
func RenderCertificate(w io.Writer, c Certificate) error {
	if c.Channel == "" || len(c.Points) == 0 || !usable(c.CountsPerGram) || c.CountsPerGram == 0 {
		return errors.New("certificate: it needs a channel, its points and its counts per gram: fill them in")
	}
	v := certificateView{Certificate: &c, Style: template.CSS(styleText),
		PageFoot: template.CSS(cssString(clip("calibration of "+c.Channel+", "+c.At.Format("2006-01-02"), 480, 10)))}
	add := func(to *[]pair, name, value string) {
		if value != "" {
			*to = append(*to, pair{name, value})
		}
	}
	number := c.Number
	if number == "" {
		number = "not kept"
	}
	add(&v.Facts, "Number", number)
	add(&v.Facts, "Calibrated", moment(c.At))
	add(&v.Facts, "Due", day(c.Due))
	add(&v.Facts, "By", orMissing(c.By))
	add(&v.Facts, "Bench", c.Bench)
	add(&v.Facts, "Sensor", c.Sensor)
	air := missing
	if usable(c.TempC) {
		air = typeset(typed(c.TempC)) + "\u00a0°C"
	}
	add(&v.Facts, "Air", air)
	v.Load, v.Tolerance, v.TolUnit = "mass", 1000.0, "mg"
	per, one := "gram", "One gram"
	switch c.Unit {
	case "", "g":
		c.Unit = "g"
	case "mm":
		v.Load, v.Tolerance, v.TolUnit = "level", 1, "mm"
		per, one = "mm", "One mm of level"
	default:
		return fmt.Errorf("certificate of %s: unit %q is neither g nor mm", c.Channel, c.Unit)
	}
	v.Per = per
	v.Lead = fmt.Sprintf("%s gives %s counts (95\u00a0%%), from %s to %s\u00a0%s.", one, withU(c.CountsPerGram, c.U95), known(neat, c.FromG), known(neat, c.ToG), c.Unit)
	rel := missing
	if usable(c.U95) {
		rel = "±\u00a0" + significant(100*c.U95/math.Abs(c.CountsPerGram), 2) + "\u00a0%"
	}
	add(&v.Line, "Counts per "+per, withU(c.CountsPerGram, c.U95))
	add(&v.Line, "that is", rel)
	add(&v.Line, "Factor k, df", known(digits(3), c.K)+", "+FormatDF(c.DF))
	add(&v.Line, "u from the readings", known(digits(2), c.UReadings)+" counts/"+c.Unit)
	add(&v.Line, "u from the loads", known(digits(2), c.UMasses)+" counts/"+c.Unit)
	bend := "not counted" // as before it was
	if c.UBend != 0 {
		bend = known(digits(2), c.UBend) + " counts/" + c.Unit
	}
	add(&v.Line, "u from the bend", bend)
	zero, uZero := FormatWithU(c.ZeroCounts, c.UZeroCounts)
	add(&v.Line, "Zero", typeset(zero)+" counts, u\u00a0"+uZero)
	add(&v.Line, "Loads", c.With)
	for _, p := range c.Properties {
		row := []string{p.Name, p.Says, missing, missing, typed(p.LimitPct) + "\u00a0%"}
		if usable(p.G) {
			row[2], row[3] = typeset(fixed(p.G, 3)), significant(p.Pct, 2)+"\u00a0%"
		}
		v.Rows = append(v.Rows, row)
	}
	for i, p := range c.Points {
		way := "up"
		if p.Down {
			way = "down"
		}
		counts, u := FormatWithU(p.Counts, p.U)
		v.PointRows = append(v.PointRows, []string{itoa(i + 1), p.Load, known(neat, v.Tolerance*p.MPEG), itoa(p.Cycle), way, typeset(counts), u, known(mg, p.ResidualG)})
	}
	v.Picture = template.HTML(residualChart("res", c.Unit, c.Points, c.BandG))
	v.PictureSay = "Grey: the line's 95\u00a0% band, the loads' tolerance and the bend included."
	if usable(c.LimitG) {
		v.PictureSay += fmt.Sprintf(" A load's mean may be off by %s\u00a0%s.", significant(c.LimitG, 2), c.Unit)
	}
	v.Cautions = []string{
		"A calibration holds for this channel, in this place, as it was loaded. Check it with a known mass before a day's work, and after a knock, a move or a repair.",
		"Loads beyond those used are not proven. The line gives grams as masses weigh; that air lifts fuel more, by 0.13\u00a0%, is corrected in the rates.",
		"Nothing here is a maker's limit; the limits are common practice.",
	}
	if c.Unit == "mm" {
		v.Cautions[0] = "A calibration holds for this channel, in this place, and for this tube. Calibrate it anew after a knock, a move, a repair or a change of tube."
		v.Cautions[1] = "Levels beyond those used are not proven. A sender that is not indifferent to the liquid (capacitive) is calibrated with the fuel itself."
	}
	var b bytes.Buffer
	if err := certificateTemplate.Execute(&b, v); err != nil {
		return fmt.Errorf("certificate of %s: %w", c.Channel, err)
	}
	if _, err := w.Write(cleaned(b.Bytes())); err != nil {
		return fmt.Errorf("certificate of %s: write %d bytes: %w; check the free space and that the place can be written to", c.Channel, b.Len(), err)
	}
	return nil
}

// known writes v with write, or the dash where it is not known.
func known(write func(float64) string, v float64) string {
	if !usable(v) {
		return missing
	}
	return write(v)
}

// digits writes a number with n significant digits.
func digits(n int) func(float64) string {
	return func(v float64) string { return significant(v, n) }
}

// neat writes a load, or a tolerance, with four figures and no zeros at its end.
func neat(v float64) string {
	if math.Abs(v) >= 1000 {
		return fixed(v, 0)
	}
	return typeset(strconv.FormatFloat(v, 'g', 4, 64))
}

// mg writes grams to a tenth of a milligram, with their sign.
func mg(g float64) string { return typeset(signed(fixed(g, 4))) }

// residualChart shows each reading's distance from the line, up and down apart, over
// the line's band.
func residualChart(id, unit string, points []CertificatePoint, band []BandPoint) string {
	const left, right, top, base = 52.0, 14.0, 36.0, 236.0
	var xs, ys []float64
	var says []string
	for _, p := range points {
		xs, ys = append(xs, p.MassG), append(ys, p.ResidualG)
	}
	for _, b := range band {
		ys = append(ys, b.U95G, -b.U95G)
	}
	x, y := newAxis(xs, left+10, chartWidth-right, 6), newAxis(ys, base, top, 7)
	for i, p := range points {
		says = append(says, fmt.Sprintf("%d: %s, %s %s", i+1, p.Load, known(mg, p.ResidualG), unit))
	}
	c := newCanvas(id, "Residuals: readings less the line, in "+map[string]string{"g": "grams", "mm": "mm"}[unit]+", over the load", strings.Join(says, "; ")+".", chartWidth, base+36)
	c.mark(up, "pt open", left+8, 14, 4.5)
	c.text("lab", "start", left+17, 18, "going up")
	c.mark(down, "pt", left+92, 14, 4.5)
	c.text("lab", "start", left+101, 18, "coming down")
	c.text("tick", "start", 0, 18, unit)
	c.bottomAxis(x, top, base, "load, "+unit)
	if len(band) > 1 {
		var edge []point
		for _, b := range band {
			edge = append(edge, point{x.at(b.MassG), y.at(b.U95G)})
		}
		for i := len(band) - 1; i >= 0; i-- {
			edge = append(edge, point{x.at(band[i].MassG), y.at(-band[i].U95G)})
		}
		c.path("band", [][]point{edge})
	}
	for _, t := range y.ticks {
		c.line("grid", left, y.at(t), chartWidth-right, y.at(t))
		c.text("tick", "end", left-6, y.at(t)+4, y.label(t))
	}
	c.line("zero", left, y.at(0), chartWidth-right, y.at(0))
	for _, p := range points {
		if !usable(p.MassG) || !usable(p.ResidualG) {
			continue
		}
		if p.Down {
			c.mark(down, "pt", x.at(p.MassG)+2.5, y.at(p.ResidualG), 4)
		} else {
			c.mark(up, "pt open", x.at(p.MassG)-2.5, y.at(p.ResidualG), 4)
		}
	}
	return c.done()
}
