package mixed_test

import (
	"fmt"

	"brimline/analysis/mixed"
)

// Six rails, the travel time of a wave in each measured three times (Devore 2000; Pinheiro
// and Bates 2000): how much do rails differ, and how well is their mean known?
func Example() {
	f, err := mixed.Model{
		Response: []float64{55, 53, 54, 26, 37, 32, 78, 91, 85, 92, 100, 96, 49, 51, 50, 80, 85, 83},
		Factors: []mixed.Factor{{Name: "rail", Values: []string{
			"1", "1", "1", "2", "2", "2", "3", "3", "3", "4", "4", "4", "5", "5", "5", "6", "6", "6"}}},
		Random: []mixed.Random{{By: "rail"}},
	}.Fit(mixed.REML)
	if err != nil {
		fmt.Println(err)
		return
	}
	mean, err := f.Mean(mixed.At{})
	if err != nil {
		fmt.Println(err)
		return
	}
	e, err := f.Estimate(mean, mixed.KenwardRoger)
	if err != nil {
		fmt.Println(err)
		return
	}
	low, high := e.Interval(0.95)
	fmt.Printf("variance between rails %.1f, within %.1f\n", f.Random[0].Cov[0][0], f.ResidualVariance)
	fmt.Printf("mean %.1f (95 %%: %.1f to %.1f, %.0f degrees of freedom)\n", e.Value, low, high, e.DF)
	fmt.Println("warnings:", len(f.Warnings))
	// Output:
	// variance between rails 615.3, within 16.2
	// mean 66.5 (95 %: 40.4 to 92.6, 5 degrees of freedom)
	// warnings: 0
}

// Log rates of three injectors in two hangings before and two after: injectors are fixed
// and the hanging is the unit, so the change has 2 degrees of freedom.
func ExampleFit_Mean() {
	f, err := mixed.Model{
		Response: []float64{2.64, 2.71, 2.58, 2.66, 2.74, 2.59, 2.55, 2.63, 2.49, 2.52, 2.58, 2.46},
		Factors: []mixed.Factor{
			{Name: "injector", Values: []string{"1", "2", "3", "1", "2", "3", "1", "2", "3", "1", "2", "3"}},
			{Name: "phase", Values: []string{"before", "before", "before", "before", "before", "before", "after", "after", "after", "after", "after", "after"}},
			{Name: "hanging", Values: []string{"1", "1", "1", "2", "2", "2", "3", "3", "3", "4", "4", "4"}},
		},
		Fixed:  []string{"injector", "phase", "injector:phase"},
		Random: []mixed.Random{{By: "hanging"}},
	}.Fit(mixed.REML)
	if err != nil {
		fmt.Println(err)
		return
	}
	change := func(at map[string]string) mixed.Contrast {
		var c [2]mixed.Contrast
		for i, phase := range []string{"after", "before"} {
			at["phase"] = phase
			if c[i], err = f.Mean(mixed.At{Levels: at}); err != nil {
				fmt.Println(err)
			}
		}
		return c[0].Minus(c[1])
	}
	for _, c := range []struct {
		name string
		mixed.Contrast
	}{{"the set", change(map[string]string{})}, {"injector 2", change(map[string]string{"injector": "2"})}} {
		e, err := f.Estimate(c.Contrast, mixed.KenwardRoger)
		if err != nil {
			fmt.Println(err)
			return
		}
		low, high := e.Interval(0.95)
		fmt.Printf("%s: %.3f (95 %%: %.3f to %.3f, %.1f degrees of freedom)\n", c.name, e.Value, low, high, e.DF)
	}
	// Output:
	// the set: -0.115 (95 %: -0.205 to -0.025, 2.0 degrees of freedom)
	// injector 2: -0.120 (95 %: -0.201 to -0.039, 2.4 degrees of freedom)
}
