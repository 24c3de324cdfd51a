// Package mixed fits linear mixed models: effects that are asked for (fixed) beside
// effects that are scatter (random), such as that of hanging tubes anew.
//
// # The model
//
//	y = X beta + sum over k of Z_k b_k + e
//	b_k at each level ~ N(0, Sigma_k),  Sigma_k = sigma^2 T_k T_k'
//	e_i ~ N(0, sigma^2/w_i)             or N(0, d_i + sigma^2/w_i) where variances d are known
//
// y has n rows, X is n by p from Model.Fixed (an intercept, treatment contrasts: a
// factor's effects count from its first level), Z_k has one column, or one and its slopes,
// for each level of what Random.By names. Random effects may be nested ("hanging:run") or
// crossed, any number of each. The response may be in any unit; for changes in percent
// give logs.
//
// Estimates are those of least deviance in the entries of T_k with sigma^2 at its best
// (Bates, Mächler, Bolker, Walker, J. Stat. Softw. 67 (2015) 1, sections 3 and 4), restricted
// (REML: Patterson and Thompson, Biometrika 58 (1971) 545; Harville, JASA 72 (1977) 320) or not
// (ML). Gradient and Hessian are exact; Newton steps end at a gradient of 1e-8 or so. No
// matrix of n by n is formed: the random effect with the most levels is eliminated level
// by level, so the time goes with its levels times the square of all other columns.
//
// # Answers
//
// A Contrast weights the coefficients; Fit.Mean and Fit.Effect write the usual ones.
// Fit.Estimate and Fit.Test give them errors and degrees of freedom after Kenward and Roger
// (Biometrics 53 (1997) 983) or Satterthwaite (Biometrics Bulletin 2 (1946) 110; Giesbrecht and
// Burns, Biometrics 41 (1985) 477; for several contrasts Fai and Cornelius, J. Stat. Comput. Simul.
// 54 (1996) 363). Fit.Profile gives likelihood intervals of spreads, correlations and
// coefficients. Component.Effects are the predicted random effects.
//
// Kenward-Roger is the one to use by default: its intervals are the wider ones where
// levels are few. Neither helps where a spread rests on two levels (1 degree of freedom).
//
// # Doubts
//
// Rows with missing values must be left out beforehand: NaN and infinity are errors, as
// are a random effect with one level or with one row at each level, effects that these
// rows cannot tell apart (ErrConfounded), a design with more coefficients than rows, and
// responses without scatter. Fit.Warnings has what a report must print beside the numbers:
// "singular" (a spread at 0, a correlation at 1 or -1), "few-levels", "not-converged". At a
// singular fit Kenward-Roger counts the degrees of freedom as if the spread were free,
// Satterthwaite as if the model did not have it: where they differ much, believe the fewer.
//
// Assumed are normal scatter and spreads that are the same at all levels; neither is
// tested here.
package mixed
