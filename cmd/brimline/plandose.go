package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"brimline/analysis/plan"
)

const doseSchema = "brimline/dose/1"

// doseOptions are the flags of plan dose. Concentrations are as they were typed.
type doseOptions struct {
	tank, left, add, dose, refillAt, burn, distance float64
	aim, has, labelMin, labelMax, unit              string
	refills                                         int
	asJSON                                          bool
	given                                           func(string) bool
}

func newDoseCommand() *cobra.Command {
	var o doseOptions
	c := &cobra.Command{
		Use:   "dose",
		Short: "The concentration that a dose reaches in a tank, and what refills leave of it",
		Long: `Dose reckons what a dose comes to in the tank: with what is left in it, with what
is filled up, and with what an earlier dose left. It follows that over refills with
untreated fuel, and says what a run-in distance burns of it. Concentrations are
millilitres per litre of fuel (1.2) or one part in so many (1:800). The label's
range is the one that you type in: brimline knows no product.`,
		Example: "  brimline plan dose --tank 70 --left 15 --dose 60 --label-min 1:1200 --label-max 1:800\n" +
			"  brimline plan dose --tank 70 --left 15 --add 40 --aim 1:1000\n" +
			"  brimline plan dose --tank 180 --left 40 --dose 200 --burn 11 --distance-unit h --distance 50",
		Args: usageArgs(cobra.NoArgs),
		RunE: func(c *cobra.Command, _ []string) error {
			o.given = c.Flags().Changed
			d, err := o.reckon()
			if err != nil {
				return badInput(fmt.Errorf("plan dose: %w", err))
			}
			if o.asJSON {
				err = writeJSON(c.OutOrStdout(), d)
			} else {
				err = d.print(c.OutOrStdout())
			}
			if err != nil {
				return fmt.Errorf("plan dose: writing the sheet: %w", err)
			}
			return nil
		},
	}
	f := c.Flags()
	f.Float64Var(&o.tank, "tank", 0, "what the tank holds, L")
	f.Float64Var(&o.left, "left", 0, "fuel in it before dosing, L")
	f.Float64Var(&o.add, "add", 0, "fuel filled up with the dose, L (default: until the tank is full)")
	f.Float64Var(&o.dose, "dose", 0, "the dose, mL")
	f.StringVar(&o.aim, "aim", "", "or the concentration to reach: says the dose")
	f.StringVar(&o.has, "has", "", "concentration of the same product in what is left, from an earlier dose")
	f.StringVar(&o.labelMin, "label-min", "", "lowest concentration on the product's label")
	f.StringVar(&o.labelMax, "label-max", "", "highest concentration on the product's label")
	f.Float64Var(&o.refillAt, "refill-at", 0, "fuel left whenever the tank is filled up again, L (default: a quarter of the tank)")
	f.IntVar(&o.refills, "refills", 3, "refills with untreated fuel to follow, 0 to 20")
	f.Float64Var(&o.burn, "burn", 0, "fuel burnt per 100 km or miles, or per hour, L")
	f.Float64Var(&o.distance, "distance", 0, "run-in from dosing to the next test, km, miles or hours")
	f.StringVar(&o.unit, "distance-unit", "km", "of --distance and --burn: km, mi or h")
	f.BoolVar(&o.asJSON, "json", false, "print JSON, schema "+doseSchema)
	return c
}

// doseJSON is a dose sheet. Names are part of schema brimline/dose/1: add, never rename.
type doseJSON struct {
	Schema    string        `json:"schema"`
	TankL     float64       `json:"tank_l"`
	LeftL     float64       `json:"left_l"`
	AddL      float64       `json:"add_l"`
	HasMLPerL float64       `json:"has_ml_per_l"`
	DoseML    float64       `json:"dose_ml"`
	MLPerL    float64       `json:"ml_per_l"`
	OneIn     float64       `json:"one_part_in"`
	LabelMin  *float64      `json:"label_min_ml_per_l"`
	LabelMax  *float64      `json:"label_max_ml_per_l"`
	Label     string        `json:"label,omitempty"` // "within", "below", "above"
	RefillAtL float64       `json:"refill_at_l"`
	Refills   []plan.Refill `json:"refills"`
	RunIn     *runInJSON    `json:"run_in,omitempty"`
	Warnings  []string      `json:"warnings"`
	Cautions  []string      `json:"cautions"`

	fillToFull bool
	burn       float64
	unit       string
}

// runInJSON is what a distance burns.
type runInJSON struct {
	Distance float64 `json:"distance"`
	Unit     string  `json:"unit"`
	BurntL   float64 `json:"burnt_l"`
	Refills  int     `json:"refills"` // that fall due on the way
	MLPerL   float64 `json:"ml_per_l_at_its_end"`
}

// concentration reads "1.2", "1.2 mL/L" or "1:800" as mL per L of fuel.
func concentration(flag, text string) (float64, error) {
	word := strings.TrimSpace(text)
	if parts, ok := strings.CutPrefix(strings.ReplaceAll(word, " ", ""), "1:"); ok {
		n, err := strconv.ParseFloat(parts, 64)
		if err != nil || !(n >= 1000/plan.MaxMLPerL && n <= 1e6) {
			return 0, fmt.Errorf("--%s %s: use 1:%g to 1:1000000, parts of fuel to one of the product", flag, text, 1000/plan.MaxMLPerL)
		}
		return 1000 / n, nil
	}
	number := strings.TrimSpace(strings.TrimSuffix(strings.TrimSuffix(word, "mL/L"), "ml/l"))
	c, err := strconv.ParseFloat(number, 64)
	if err != nil {
		return 0, fmt.Errorf("--%s %s: give mL per L of fuel, such as 1.2, or parts, such as 1:800", flag, text)
	}
	if !(c > 0 && c <= plan.MaxMLPerL) {
		return 0, fmt.Errorf("--%s %s: use above 0 and up to %g mL per L", flag, text, plan.MaxMLPerL)
	}
	return c, nil
}

func (o *doseOptions) reckon() (*doseJSON, error) {
	switch {
	case !o.given("tank"):
		return nil, errors.New("--tank is missing: what does the tank hold, in L?")
	case !(o.tank >= 1 && o.tank <= 5000):
		return nil, fmt.Errorf("--tank %g L: use 1 to 5000", o.tank)
	case !o.given("left"):
		return nil, errors.New("--left is missing: how much fuel is in the tank before dosing, in L? Read the gauge or a dipstick; it counts as much as the dose")
	case !(o.left >= 0 && o.left <= o.tank):
		return nil, fmt.Errorf("--left %g L: use 0 to %g, what the tank holds", o.left, o.tank)
	case o.given("add") && !(o.add >= 0 && o.left+o.add <= o.tank*(1+1e-9)):
		return nil, fmt.Errorf("--add %g L: use 0 to %g, what goes into the tank beside %g L", o.add, o.tank-o.left, o.left)
	case o.given("dose") == o.given("aim"):
		return nil, errors.New("give --dose (mL) to see what it reaches, or --aim (concentration) to see the dose")
	case o.given("dose") && !(o.dose > 0 && o.dose <= 1e5):
		return nil, fmt.Errorf("--dose %g mL: use above 0 and up to 100000", o.dose)
	case o.given("refill-at") && !(o.refillAt >= 0 && o.refillAt < o.tank):
		return nil, fmt.Errorf("--refill-at %g L: use 0 to below %g", o.refillAt, o.tank)
	case o.refills < 0 || o.refills > 20:
		return nil, fmt.Errorf("--refills %d: use 0 to 20", o.refills)
	case o.given("burn") && !(o.burn > 0 && o.burn <= 500):
		return nil, fmt.Errorf("--burn %g L: use above 0 and up to 500", o.burn)
	case o.given("distance") && !(o.distance > 0 && o.distance <= 1e6):
		return nil, fmt.Errorf("--distance %g: use above 0 and up to 1000000", o.distance)
	case o.given("distance") && !o.given("burn"):
		return nil, errors.New("--distance without --burn: how much fuel is burnt per 100 km or miles, or per hour?")
	case o.unit != "km" && o.unit != "mi" && o.unit != "h":
		return nil, fmt.Errorf("--distance-unit %s: use km, mi or h", o.unit)
	}
	var conc [4]float64
	for k, c := range []struct{ name, text string }{{"aim", o.aim}, {"has", o.has}, {"label-min", o.labelMin}, {"label-max", o.labelMax}} {
		if !o.given(c.name) || c.name == "has" && strings.TrimSpace(c.text) == "0" {
			continue
		}
		var err error
		if conc[k], err = concentration(c.name, c.text); err != nil {
			return nil, err
		}
	}
	aim, has, least, most := conc[0], conc[1], conc[2], conc[3]
	if least > 0 && most > 0 && least > most {
		return nil, fmt.Errorf("--label-min %s is more than --label-max %s: 1:1200 is weaker than 1:800", o.labelMin, o.labelMax)
	}
	t := plan.Tank{CapacityL: o.tank, LeftL: o.left, AddL: o.add, HasMLPerL: has, RefillAtL: o.refillAt}
	if !o.given("add") {
		t.AddL = o.tank - o.left
	}
	if !o.given("refill-at") {
		t.RefillAtL = o.tank / 4
	}
	d := &doseJSON{Schema: doseSchema, TankL: t.CapacityL, LeftL: t.LeftL, AddL: t.AddL, HasMLPerL: has, DoseML: o.dose, RefillAtL: t.RefillAtL,
		LabelMin: asked(least, least > 0), LabelMax: asked(most, most > 0), Warnings: []string{}, Cautions: doseCautions,
		fillToFull: t.LeftL+t.AddL >= t.CapacityL*(1-1e-9), burn: o.burn, unit: o.unit}
	var err error
	if aim > 0 {
		if d.DoseML, err = t.DoseFor(aim); err != nil {
			return nil, err
		}
	}
	if d.MLPerL, err = t.Reached(d.DoseML); err != nil {
		return nil, err
	}
	d.OneIn = 1000 / d.MLPerL
	d.Refills = t.Refills(d.MLPerL, o.refills)
	d.judgeLabel(least, most)
	if o.distance > 0 {
		d.runIn(t, o.distance)
	}
	d.warn(t)
	return d, nil
}

// judgeLabel holds the concentration against the range that was typed in. What an aim's dose
// reaches is the aim but for rounding.
func (d *doseJSON) judgeLabel(least, most float64) {
	const slack = 1e-9
	switch {
	case least == 0 && most == 0:
		return
	case least > 0 && d.MLPerL < least*(1-slack):
		d.Label = "below"
		d.Warnings = append(d.Warnings, fmt.Sprintf("%s is below the label's lowest, %s: a comparison would not be one of the product as its label has it", concWords(d.MLPerL), concWords(least)))
	case most > 0 && d.MLPerL > most*(1+slack):
		d.Label = "above"
		d.Warnings = append(d.Warnings, fmt.Sprintf("%s is above the label's highest, %s: take less of it or more fuel; more than the label says can do harm", concWords(d.MLPerL), concWords(most)))
	default:
		d.Label = "within"
	}
}

// litresIn is what a distance burns.
func (d *doseJSON) litresIn(distance float64) float64 {
	if d.unit == "h" {
		return distance * d.burn
	}
	return distance * d.burn / 100
}

// runIn follows the tank over a distance, filled up whenever it is down to RefillAtL.
func (d *doseJSON) runIn(t plan.Tank, distance float64) {
	r := runInJSON{Distance: distance, Unit: d.unit, BurntL: d.litresIn(distance), MLPerL: d.MLPerL}
	if per := t.CapacityL - t.RefillAtL; r.BurntL > t.TreatedL() {
		r.Refills = 1 + int((r.BurntL-t.TreatedL())/per*(1-1e-12))
		// After a hundred refills nothing is left that could be said in figures.
		all := t.Refills(d.MLPerL, min(r.Refills, 100))
		r.MLPerL = all[len(all)-1].MLPerL
	}
	d.RunIn = &r
}

func (d *doseJSON) warn(t plan.Tank) {
	// A tenth of the tank: common practice, no source; gauges are no better.
	if low := t.CapacityL / 10; t.RefillAtL < low {
		d.Warnings = append(d.Warnings, fmt.Sprintf("%g L left before filling up is less than a tenth of the tank: do not run it dry; air in the feed spoils a run and can harm the pump", t.RefillAtL))
	}
	if total := t.LeftL + t.AddL; total < t.CapacityL/10 {
		d.Warnings = append(d.Warnings, fmt.Sprintf("%g L in the tank after dosing are less than a tenth of it: fill up more", total))
	}
	if d.DoseML/1000 > t.CapacityL-t.LeftL-t.AddL && d.DoseML/1000 > 0.01*t.CapacityL {
		d.Warnings = append(d.Warnings, fmt.Sprintf("the dose itself takes %.3g L: leave room for it", d.DoseML/1000))
	}
	if r := d.RunIn; r != nil && r.Refills > 0 {
		d.Warnings = append(d.Warnings, fmt.Sprintf("the run-in burns more than one filling: at its end the tank has %s, %.2g %% of what was reached; dose again at each filling if the label says so, and note each", concWords(r.MLPerL), 100*r.MLPerL/d.MLPerL))
	}
}

// doseCautions go on every sheet.
var doseCautions = []string{
	"Dose, mix and handle the product as its own label and safety sheet say, and only what the vehicle maker allows; they come before anything said here.",
	"Do not run the tank dry. While returns are collected the fuel does not go home: with little in the tank the feed draws air, which spoils the run and can harm the pump.",
	"Fuel and product: gloves, eye cover, no flame, no smoking; absorb spills at once.",
}

// concWords says a concentration both ways.
func concWords(mlPerL float64) string {
	if !(mlPerL > 0) {
		return "none"
	}
	if mlPerL < 1e-3 {
		return "under 0.001 mL per L"
	}
	digits := max(2, 2-int(math.Floor(math.Log10(mlPerL))))
	return fmt.Sprintf("%.*f mL per L (1 part in %.0f)", digits, mlPerL, 1000/mlPerL)
}

func (d *doseJSON) print(w io.Writer) error {
	var b strings.Builder
	total := d.LeftL + d.AddL
	b.WriteString("Dose sheet\n\n")
	wrapTo(&b, "", fmt.Sprintf("%s mL into %.4g L of fuel: %s.", volumeText(d.DoseML), total, concWords(d.MLPerL)))
	switch d.Label {
	case "":
		wrapTo(&b, "", "No range of a label was given (--label-min, --label-max), so nothing is said of it.")
	case "within":
		wrapTo(&b, "", "That is within the label's range as it was typed in.")
	}
	b.WriteString("\nDate ____________  By ____________________  Distance or hours ________________\n")
	b.WriteString("Product and batch ____________________________________________________________\n\n")
	left := fmt.Sprintf("In the tank before: %.4g L (read: ________ L)", d.LeftL)
	if d.HasMLPerL > 0 {
		left += fmt.Sprintf(", with %s from before", concWords(d.HasMLPerL))
	}
	wrapTo(&b, "  [ ] ", left+".")
	wrapTo(&b, "  [ ] ", fmt.Sprintf("Product: %s mL (measured: ________ mL), as its label says; if it says nothing, before the fuel, so that filling mixes it.", volumeText(d.DoseML)))
	fill := fmt.Sprintf("Fuel filled up: %.4g L (pump: ________ L)", d.AddL)
	if d.AddL == 0 {
		fill = "No fuel is filled up: drive or run the engine before the next test so that the tank mixes"
	} else if d.fillToFull {
		fill += ", to full"
	}
	wrapTo(&b, "  [ ] ", fill+".")
	wrapTo(&b, "  [ ] ", fmt.Sprintf("Fill up again at %.4g L left, never below.", d.RefillAtL))
	if r := d.RunIn; r != nil {
		b.WriteString("\nRun-in\n")
		text := fmt.Sprintf("%g %s burn about %.3g L", r.Distance, r.Unit, r.BurntL)
		if r.Refills == 0 {
			text += ", all of it from this filling: the concentration stays what it is."
		} else {
			text += fmt.Sprintf("; the tank is to be filled up %s on the way.", times(r.Refills))
		}
		wrapTo(&b, "  ", text)
		wrapTo(&b, "  ", fmt.Sprintf("Burnt since dosing, at the next test: ________ L over ________ %s.", r.Unit))
	}
	if len(d.Refills) > 0 {
		b.WriteString("\nAfter filling up with untreated fuel\n")
		t := tabwriter.NewWriter(&b, 0, 0, 3, ' ', 0)
		fmt.Fprint(t, "  refill\tmL per L\tof the first\tburnt since dosing")
		if d.burn > 0 {
			fmt.Fprintf(t, "\tat about")
		}
		fmt.Fprintln(t)
		for _, r := range d.Refills {
			fmt.Fprintf(t, "  %d\t%.3g\t%.3g %%\t%.4g L", r.Number, r.MLPerL, 100*r.Share, r.BurntL)
			if d.burn > 0 {
				per := r.BurntL / d.litresIn(1)
				fmt.Fprintf(t, "\t%.0f %s", per, d.unit)
			}
			fmt.Fprintln(t)
		}
		t.Flush()
		wrapTo(&b, "  ", fmt.Sprintf("Each time %.3g %% of it stay, the tank mixed through. The baseline of another test is not untreated before less than 1 %% is left; what a product has done to the injectors may stay.", 100*d.RefillAtL/d.TankL))
	}
	if len(d.Warnings) > 0 {
		b.WriteString("\nWarnings\n")
		for _, x := range d.Warnings {
			wrapTo(&b, "  ! ", upperFirst(x)+".")
		}
	}
	b.WriteString("\nTake care\n")
	for _, c := range d.Cautions {
		wrapTo(&b, "  - ", c)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func times(n int) string {
	if n == 1 {
		return "once"
	}
	return fmt.Sprintf("%d times", n)
}

// volumeText prints mL with three figures or whole ones.
func volumeText(ml float64) string {
	return strconv.FormatFloat(ml, 'f', max(0, 2-int(math.Floor(math.Log10(ml)))), 64)
}
