// Package stats is the arithmetic behind baseline models: ordinary least
// squares with the statistics that measurement and verification asks for, and
// the exact uncertainty of a sum of predictions.
//
// The solution is by Householder QR on columns scaled by powers of two, followed
// by iterative refinement with residuals in about twice the working precision.
// Columns that depend on each other are reported by name as a SingularError;
// coefficients that cannot be trusted are never returned. A Fit is plain data
// and goes through JSON without loss, so a frozen baseline predicts the same
// after years.
//
// Beside it stands the straight line that wild points cannot move.
package stats
