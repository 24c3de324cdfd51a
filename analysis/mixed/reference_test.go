package mixed

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strconv"
	"strings"
	"testing"
)

// The cases of testdata (lmm_*: published data; ba_*: simulated designs before and
// after) come with the results of R 4.2.2, lme4 1.1.31, lmerTest 3.1.3, pbkrtest 0.5.2
// and emmeans 1.8.4.1, the optimum refined to a gradient of 1e-8, and of a second program with
// dense matrices; testdata/README.md says more. Tolerances are the files' own.
type reference struct {
	ID, Name, Source, Call string
	Levels                 map[string][]string `json:"factor_levels"`
	Tol                    struct {
		Criterion  float64 `json:"criterion_abs"`
		Fixed      float64 `json:"fixed_effects_rel"`
		SE         float64 `json:"se_rel"`
		Variance   float64 `json:"variance_rel"`
		Effects    float64 `json:"blup_abs_over_sigma"`
		DF         float64 `json:"df_rel"`
		P          float64 `json:"p_rel"`
		Profile    float64 `json:"profile_ci_rel"`
		ProfileAbs float64 `json:"profile_ci_of_correlations_and_of_3x3_abs"`
	} `json:"suggested_tolerance"`
	Results struct {
		N          int            `json:"n_obs"`
		Groups     map[string]int `json:"n_groups"`
		Singular   bool
		Theta      []float64
		Sigma      float64
		Criterion  float64 `json:"reml_criterion"`
		LogLik     float64 `json:"logLik_REML"`
		AIC        float64 `json:"AIC_REML"`
		BIC        float64 `json:"BIC_REML"`
		Components []struct {
			Group      string
			Var1, Var2 *string
			VCov       float64
			SDCor      float64
		} `json:"variance_components"`
		ResidualVariance float64            `json:"residual_variance"`
		Fixed            map[string]float64 `json:"fixed_effects"`
		SE               map[string]float64
		VCov             namedMatrix `json:"vcov_fixed"`
		VCovKR           namedMatrix `json:"vcov_fixed_KR_adjusted"`
		Ranef            []struct {
			Group   string
			Levels  []string
			Columns []string
			Values  [][]float64
			SD      [][]float64 `json:"cond_sd"`
		}
		Satterthwaite []rowOfTests `json:"satterthwaite_lmerTest"`
		KenwardRoger  []rowOfTests `json:"kenward_roger"`
		TypeIIIS      []rowOfTests `json:"anova_type3_satterthwaite"`
		TypeIIIK      []rowOfTests `json:"anova_type3_kenward_roger"`
		Dense         struct {
			Criterion float64            `json:"reml_criterion"`
			SattDF    map[string]float64 `json:"satterthwaite_df_observed_information"`
			KRDF      map[string]float64 `json:"kenward_roger_df"`
			KRSE      map[string]float64 `json:"kenward_roger_se"`
			VarPar    [][]float64        `json:"asymptotic_var_of_parameters_observed_information"`
		} `json:"dense_second_oracle"`
		MLFit struct {
			Deviance float64
			Theta    []float64
		} `json:"ml_fit"`
		Profile []struct {
			Parameter    string
			Lower, Upper *float64
		} `json:"profile_ci95"`
		Emmeans map[string]struct {
			Means     []map[string]any
			Contrasts []map[string]any `json:"contrasts_unadjusted"`
			Percent   []struct {
				Percent, Lower95, Upper95 float64
			} `json:"percent_change"`
		}
		Anova struct {
			Between float64 `json:"var_between_unclipped"`
			Within  float64 `json:"var_within"`
			Pooled  float64 `json:"pooled_total_variance"`
		} `json:"anova_moments_exact"`
		Reduced *struct {
			DF           float64
			Coefficients []rowOfTests
		} `json:"reduced_model_without_random_effects"`
	}
}

type namedMatrix struct {
	Rows   []string
	Values [][]float64
}

type rowOfTests struct {
	Term                   string
	Estimate, SE, DF, T, P float64
	NumDF, DenDF, F        float64
}

// The models of the cases, as the files' calls have them.
var referenceModels = map[string]struct {
	response string
	log      bool
	fixed    []string
	random   []Random
}{
	"ba_12x5_rs_bal":         {"rate", true, []string{"phase"}, []Random{{By: "injector", Slopes: []string{"phase"}}}},
	"ba_4x3_log_bal":         {"rate", true, []string{"phase"}, []Random{{By: "injector"}}},
	"ba_4x3_null":            {"rate", true, []string{"phase"}, []Random{{By: "injector"}}},
	"ba_4x3_ri_bal":          {"rate", false, []string{"phase"}, []Random{{By: "injector"}}},
	"ba_4x3_singular":        {"rate", false, []string{"phase"}, []Random{{By: "injector"}}},
	"ba_4x4_session_crossed": {"rate", true, []string{"phase"}, []Random{{By: "injector"}, {By: "session"}}},
	"ba_4x5_rs_bal":          {"rate", false, []string{"phase"}, []Random{{By: "injector", Slopes: []string{"phase"}}}},
	"ba_4x5_rs_singular":     {"rate", false, []string{"phase"}, []Random{{By: "injector", Slopes: []string{"phase"}}}},
	"ba_6x4_cov":             {"rate", false, []string{"phase", "temp_c", "phase:temp_c"}, []Random{{By: "injector"}}},
	"ba_6x4_interaction":     {"rate", false, []string{"phase"}, []Random{{By: "injector"}, {By: "injector:phase"}}},
	"ba_6x4_rs_unbal":        {"rate", false, []string{"phase"}, []Random{{By: "injector", Slopes: []string{"phase"}}}},
	"ba_6x5_ri_unbal":        {"rate", false, []string{"phase"}, []Random{{By: "injector"}}},
	"lmm_cake":               {"angle", false, []string{"recipe", "temp"}, []Random{{By: "recipe:replicate"}}},
	"lmm_dyestuff":           {"Yield", false, nil, []Random{{By: "Batch"}}},
	"lmm_dyestuff2":          {"Yield", false, nil, []Random{{By: "Batch"}}},
	"lmm_machines_nested":    {"score", false, []string{"Machine"}, []Random{{By: "Worker"}, {By: "Worker:Machine"}}},
	"lmm_orthodont_ri":       {"distance", false, []string{"age", "Sex", "age:Sex"}, []Random{{By: "Subject"}}},
	"lmm_pastes":             {"strength", false, nil, []Random{{By: "batch"}, {By: "batch:cask"}}},
	"lmm_penicillin":         {"diameter", false, nil, []Random{{By: "plate"}, {By: "sample"}}},
	"lmm_rail":               {"travel", false, nil, []Random{{By: "Rail"}}},
	"lmm_sleepstudy_ri":      {"Reaction", false, []string{"Days"}, []Random{{By: "Subject"}}},
	"lmm_sleepstudy_rs":      {"Reaction", false, []string{"Days"}, []Random{{By: "Subject", Slopes: []string{"Days"}}}},
}

// readTable reads columns of testdata by name; lines that begin with # are notes.
func readTable(t testing.TB, name string) map[string][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) < 2 {
		t.Fatalf("%s: %d rows, %v", name, len(rows), err)
	}
	out := map[string][]string{}
	for _, row := range rows[1:] {
		for i, h := range rows[0] {
			out[h] = append(out[h], row[i])
		}
	}
	return out
}

func numbers(t testing.TB, s []string) []float64 {
	t.Helper()
	out := make([]float64, len(s))
	for i, v := range s {
		x, err := strconv.ParseFloat(v, 64)
		if err != nil {
			t.Fatal(err)
		}
		out[i] = x
	}
	return out
}

func readReference(t testing.TB, id string) (reference, Model) {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join("testdata", id+".json"))
	if err != nil {
		t.Fatal(err)
	}
	var ref reference
	if err := json.Unmarshal(raw, &ref); err != nil {
		t.Fatalf("%s: %v", id, err)
	}
	spec, known := referenceModels[id]
	if !known {
		t.Fatalf("%s: the model is not in the table", id)
	}
	table := readTable(t, id+".csv")
	m := Model{Response: numbers(t, table[spec.response]), Fixed: spec.fixed, Random: spec.random}
	if spec.log {
		for i, v := range m.Response {
			m.Response[i] = math.Log(v)
		}
	}
	for name, values := range table {
		if name == spec.response {
			continue
		}
		if levels, ok := ref.Levels[name]; ok {
			m.Factors = append(m.Factors, Factor{Name: name, Values: values, Levels: levels})
		} else if name == "temp" || name == "temp_c" || name == "Days" || name == "age" {
			m.Numbers = append(m.Numbers, Number{name, numbers(t, values)})
		}
	}
	return ref, m
}

// plain turns our names of coefficients into R's.
func plain(name string) string {
	return strings.ReplaceAll(strings.Replace(name, intercept, "(Intercept)", 1), "=", "")
}

// sortedParts makes "cask:batch" and "batch:cask" one.
func sortedParts(s string) string {
	p := strings.Split(s, ":")
	sort.Strings(p)
	return strings.Join(p, ":")
}

// judge compares, and keeps the largest deviation in units of its tolerance.
type judge struct {
	t     *testing.T
	worst map[string]float64
}

func (j *judge) check(kind, what string, got, want, tol float64) {
	j.t.Helper()
	d := math.Abs(got - want)
	if !(d <= tol) {
		j.t.Errorf("%s %s: got %.15g, want %.15g, off by %.2g of %.2g", kind, what, got, want, d, tol)
	}
	j.worst[kind] = math.Max(j.worst[kind], d/tol)
}

func (j *judge) rel(kind, what string, got, want, rel float64) {
	j.t.Helper()
	j.check(kind, what, got, want, rel*math.Abs(want))
}

func (j *judge) report() {
	var s []string
	for k, v := range j.worst {
		s = append(s, fmt.Sprintf("%s %.1e", k, v))
	}
	sort.Strings(s)
	j.t.Logf("largest deviation over tolerance: %s", strings.Join(s, ", "))
}

func forEachReference(t *testing.T, test func(t *testing.T, j *judge, ref reference, m Model)) {
	ids := make([]string, 0, len(referenceModels))
	for id := range referenceModels {
		ids = append(ids, id)
	}
	sort.Strings(ids)
	for _, id := range ids {
		t.Run(id, func(t *testing.T) {
			ref, m := readReference(t, id)
			j := &judge{t, map[string]float64{}}
			test(t, j, ref, m)
			j.report()
		})
	}
}

// No case of the folder is left out.
func TestReferenceComplete(t *testing.T) {
	for _, pattern := range []string{"lmm_*.json", "ba_*.json"} {
		files, err := filepath.Glob(filepath.Join("testdata", pattern))
		if err != nil || len(files) < 10 {
			t.Fatalf("%s: %d files, %v", pattern, len(files), err)
		}
		for _, f := range files {
			id := strings.TrimSuffix(filepath.Base(f), ".json")
			if _, ok := referenceModels[id]; !ok {
				t.Errorf("%s has no model in the table", id)
			}
		}
	}
}

func TestReferenceFits(t *testing.T) {
	forEachReference(t, func(t *testing.T, j *judge, ref reference, m Model) {
		f, err := m.Fit(REML)
		if err != nil {
			t.Fatal(err)
		}
		res, tol := ref.Results, ref.Tol
		if f.Singular != res.Singular {
			t.Errorf("singular: got %v, want %v", f.Singular, res.Singular)
		}
		if hasWarning(f, "singular") != res.Singular {
			t.Errorf("warnings %v with singular %v", f.Warnings, res.Singular)
		}
		if f.Gradient > 1e-7 {
			t.Errorf("gradient %.2g", f.Gradient)
		}
		if f.Rows != res.N {
			t.Errorf("%d rows, want %d", f.Rows, res.N)
		}
		j.check("criterion", "REML", f.Deviance, res.Criterion, tol.Criterion)
		j.check("criterion", "dense", f.Deviance, res.Dense.Criterion, math.Max(tol.Criterion, 1e-8*math.Abs(res.Criterion)))
		j.check("criterion", "logLik", f.LogLik, res.LogLik, tol.Criterion)
		j.check("criterion", "AIC", f.AIC, res.AIC, tol.Criterion)
		j.check("criterion", "BIC", f.BIC, res.BIC, tol.Criterion)

		ml, err := m.Fit(ML)
		if err != nil {
			t.Fatal(err)
		}
		j.check("criterion", "ML", ml.Deviance, res.MLFit.Deviance, tol.Criterion)

		if len(f.Names) != len(res.Fixed) {
			t.Fatalf("coefficients %v, want %v", f.Names, res.Fixed)
		}
		for i, name := range f.Names {
			name := plain(name)
			want, ok := res.Fixed[name]
			if !ok {
				t.Fatalf("coefficient %s is not in %v", name, res.Fixed)
			}
			j.rel("fixed", name, f.Coef[i], want, tol.Fixed)
			j.rel("se", name, f.SE[i], res.SE[name], tol.SE)
			for k, other := range f.Names {
				a, b := slices.Index(res.VCov.Rows, name), slices.Index(res.VCov.Rows, plain(other))
				j.check("vcov", name+","+other, f.Cov[i][k], res.VCov.Values[a][b], 2*tol.SE*f.SE[i]*f.SE[k])
			}
		}

		j.rel("variance", "residual", f.ResidualVariance, res.ResidualVariance, tol.Variance)
		for _, c := range res.Components {
			if c.Group == "Residual" {
				continue
			}
			r := find(t, f, c.Group)
			a := column1(t, r, *c.Var1)
			b := a
			if c.Var2 != nil {
				b = column1(t, r, *c.Var2)
				j.check("variance", "cor", r.Cor[a][b], c.SDCor, tol.Variance)
			}
			j.check("variance", c.Group+*c.Var1, r.Cov[a][b], c.VCov, math.Max(tol.Variance*math.Abs(c.VCov), 1e-10*res.ResidualVariance))
		}
		for _, e := range res.Ranef {
			r := find(t, f, e.Group)
			if len(r.Levels) != len(e.Levels) {
				t.Fatalf("%s: levels %v, want %v", e.Group, r.Levels, e.Levels)
			}
			for l, level := range e.Levels {
				at := slices.IndexFunc(r.Levels, func(s string) bool { return sortedParts(s) == sortedParts(level) })
				if at < 0 {
					t.Fatalf("%s: level %s is not in %v", e.Group, level, r.Levels)
				}
				for k, col := range e.Columns {
					c := column1(t, r, col)
					j.check("effects", level, r.Effects[at][c], e.Values[l][k], tol.Effects*res.Sigma)
					j.check("effects", "sd "+level, r.EffectSD[at][c], e.SD[l][k], tol.Effects*res.Sigma)
				}
			}
		}
		if res.Anova.Within > 0 { // closed form, balanced one way
			if res.Anova.Between > 0 {
				j.rel("closed form", "between", f.Random[0].Cov[0][0], res.Anova.Between, 1e-9)
				j.rel("closed form", "within", f.ResidualVariance, res.Anova.Within, 1e-9)
			} else {
				j.rel("closed form", "pooled", f.ResidualVariance, res.Anova.Pooled, 1e-9)
			}
		}
	})
}

func hasWarning(f *Fit, code string) bool {
	return slices.ContainsFunc(f.Warnings, func(w Warning) bool { return w.Code == code })
}

func find(t *testing.T, f *Fit, group string) Component {
	t.Helper()
	for _, c := range f.Random {
		if sortedParts(c.By) == sortedParts(group) {
			return c
		}
	}
	t.Fatalf("there is no random effect by %s", group)
	return Component{}
}

func column1(t *testing.T, c Component, name string) int {
	t.Helper()
	i := slices.IndexFunc(c.Columns, func(s string) bool { return plain(s) == name })
	if i < 0 {
		t.Fatalf("random effect by %s has no column %s: %v", c.By, name, c.Columns)
	}
	return i
}

func TestReferenceTests(t *testing.T) {
	forEachReference(t, func(t *testing.T, j *judge, ref reference, m Model) {
		f, err := m.Fit(REML)
		if err != nil {
			t.Fatal(err)
		}
		res, tol := ref.Results, ref.Tol
		coefficient := func(term string, method DFMethod) Estimate {
			for _, n := range f.Names {
				if plain(n) == term {
					c, err := f.Coefficient(n)
					if err != nil {
						t.Fatal(err)
					}
					e, err := f.Estimate(c, method)
					if err != nil {
						t.Fatal(err)
					}
					return e
				}
			}
			t.Fatalf("no coefficient %s", term)
			return Estimate{}
		}
		compare := func(kind string, e Estimate, r rowOfTests) {
			j.rel(kind+" value", r.Term, e.Value, r.Estimate, tol.Fixed)
			j.rel(kind+" se", r.Term, e.SE, r.SE, tol.SE)
			j.rel(kind+" df", r.Term, e.DF, r.DF, tol.DF)
			j.rel(kind+" p", r.Term, e.P, r.P, tol.P)
		}
		for _, r := range res.KenwardRoger {
			compare("KR", coefficient(r.Term, KenwardRoger), r)
			e := coefficient(r.Term, KenwardRoger)
			j.rel("KR df", "dense "+r.Term, e.DF, res.Dense.KRDF[r.Term], tol.DF)
			j.rel("KR se", "dense "+r.Term, e.SE, res.Dense.KRSE[r.Term], tol.SE)
		}
		if !res.Singular { // lmerTest's are not to be used at the boundary
			for _, r := range res.Satterthwaite {
				compare("Satt", coefficient(r.Term, Satterthwaite), r)
				e := coefficient(r.Term, Satterthwaite)
				j.rel("Satt df", "dense "+r.Term, e.DF, res.Dense.SattDF[r.Term], tol.DF)
			}
		} else if res.Reduced != nil && maxAbs(res.Theta) == 0 {
			// All spreads zero: what is held at zero leaves least squares.
			for _, r := range res.Reduced.Coefficients {
				r.DF = res.Reduced.DF
				compare("Satt", coefficient(r.Term, Satterthwaite), r)
			}
		}
		cov, err := f.CovKenwardRoger()
		if err != nil {
			t.Fatal(err)
		}
		for i, a := range f.Names {
			for k, b := range f.Names {
				want := res.VCovKR.Values[slices.Index(res.VCovKR.Rows, plain(a))][slices.Index(res.VCovKR.Rows, plain(b))]
				j.check("KR se", a+","+b, cov[i][k], want, 2*tol.SE*f.SE[i]*f.SE[k])
			}
		}
		for method, rows := range map[DFMethod][]rowOfTests{KenwardRoger: res.TypeIIIK, Satterthwaite: res.TypeIIIS} {
			for _, r := range rows {
				cs, err := f.Effect(r.Term)
				if err != nil {
					t.Fatal(err)
				}
				test, err := f.Test(cs, method)
				if err != nil {
					t.Fatal(err)
				}
				if float64(test.NumDF) != r.NumDF {
					t.Errorf("%s: %d numerator df, want %v", r.Term, test.NumDF, r.NumDF)
				}
				j.rel("F", r.Term, test.F, r.F, 2*tol.SE)
				j.rel("F df", r.Term, test.DenDF, r.DenDF, tol.DF)
				j.rel("F p", r.Term, test.P, r.P, tol.P)
			}
		}
		for name, em := range res.Emmeans {
			method := KenwardRoger
			if name == "satterthwaite" {
				if method = Satterthwaite; res.Singular {
					continue
				}
			}
			factor := m.Fixed[0]
			mean := func(level string) Contrast {
				c, err := f.Mean(At{Levels: map[string]string{factor: level}})
				if err != nil {
					t.Fatal(err)
				}
				return c
			}
			row := func(kind string, c Contrast, want map[string]any, estimate string) {
				e, err := f.Estimate(c, method)
				if err != nil {
					t.Fatal(err)
				}
				j.rel(kind, "mean", e.Value, want[estimate].(float64), tol.Fixed)
				j.rel(kind, "SE", e.SE, want["SE"].(float64), tol.SE)
				j.rel(kind, "df", e.DF, want["df"].(float64), tol.DF)
				low, high := e.Interval(0.95)
				// The interval follows the df, of which a tolerance of 1e-4 is asked.
				j.check(kind, "lower", low, want["lower.CL"].(float64), tol.DF*e.SE)
				j.check(kind, "upper", high, want["upper.CL"].(float64), tol.DF*e.SE)
			}
			for _, want := range em.Means {
				row(name+" means", mean(want[factor].(string)), want, "emmean")
			}
			for i, want := range em.Contrasts {
				a, b, _ := strings.Cut(want["contrast"].(string), " - ")
				c := mean(a).Minus(mean(b))
				row(name+" contrasts", c, want, "estimate")
				if i < len(em.Percent) {
					e, err := f.Estimate(c, method)
					if err != nil {
						t.Fatal(err)
					}
					low, high := e.Interval(0.95)
					j.check(name+" percent", "change", 100*math.Expm1(e.Value), em.Percent[i].Percent, 1e-6)
					j.check(name+" percent", "lower", 100*math.Expm1(low), em.Percent[i].Lower95, 100*tol.DF*e.SE)
					j.check(name+" percent", "upper", 100*math.Expm1(high), em.Percent[i].Upper95, 100*tol.DF*e.SE)
				}
			}
		}
	})
}

// denseEnds are ends of profiles at which lme4's spline is off by more than the tolerance:
// TestProfileEndBySearch shows for each that the deviance, by dense matrices, rises
// there by what it should, and at lme4's end by more.
var denseEnds = map[string]float64{
	"ba_4x5_rs_bal cor_phaseafter.(Intercept)|injector upper": 0.8270868,
}

// Profile intervals: of the ML deviance, which lme4 inverts by a spline. The tolerance of
// correlations is absolute. A limit of 0 or none means that the boundary is not excluded.
func TestReferenceProfiles(t *testing.T) {
	forEachReference(t, func(t *testing.T, j *judge, ref reference, m Model) {
		f, err := m.Fit(REML)
		if err != nil {
			t.Fatal(err)
		}
		got, err := f.Profile(0.95)
		if err != nil {
			t.Fatal(err)
		}
		tol := ref.Tol
		seen := 0
		for _, want := range ref.Results.Profile {
			at := slices.IndexFunc(got, func(iv Interval) bool { return profileName(iv) == want.Parameter })
			if at < 0 {
				// Groups of several factors stand in another order.
				at = slices.IndexFunc(got, func(iv Interval) bool {
					return sortedParts(strings.ReplaceAll(profileName(iv), "|", ":")) == sortedParts(strings.ReplaceAll(want.Parameter, "|", ":"))
				})
			}
			if at < 0 {
				t.Fatalf("no interval of %s", want.Parameter)
			}
			iv := got[at]
			if !(iv.Low <= iv.Value && iv.Value <= iv.High) {
				t.Errorf("%s: %v is not within %v to %v", want.Parameter, iv.Value, iv.Low, iv.High)
			}
			for end, pair := range map[string]struct {
				got  float64
				want *float64
			}{"lower": {iv.Low, want.Lower}, "upper": {iv.High, want.Upper}} {
				if pair.want == nil {
					continue // lme4 gave none
				}
				seen++
				allowed := tol.Profile * math.Abs(*pair.want)
				if iv.Kind == Correlation {
					allowed = tol.ProfileAbs
				}
				if *pair.want == 0 {
					allowed = 1e-12
				}
				if v, ok := denseEnds[ref.ID+" "+want.Parameter+" "+end]; ok {
					j.check("profile", want.Parameter+" "+end+" (dense)", pair.got, v, 1e-5)
					continue
				}
				j.check("profile", want.Parameter+" "+end, pair.got, *pair.want, allowed)
			}
		}
		if seen < 4 {
			t.Errorf("only %d ends were compared", seen)
		}
	})
}

func profileName(iv Interval) string {
	switch iv.Kind {
	case Spread:
		return "sd_" + plain(iv.Of) + "|" + iv.By
	case Correlation:
		return "cor_" + plain(iv.With) + "." + plain(iv.Of) + "|" + iv.By
	case ResidualSD:
		return "sigma"
	}
	return plain(iv.Of)
}
