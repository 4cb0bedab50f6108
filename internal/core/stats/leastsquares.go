package stats

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"
	"gonum.org/v1/gonum/lapack/lapack64"
)

// ErrInput says that the rows cannot be fitted as they are: too few, of
// different lengths, or not finite.
var ErrInput = errors.New("unusable rows")

// SingularError says that columns depend on each other so closely that no
// coefficients can be told apart.
type SingularError struct {
	// Columns are the names of the columns that take part in the dependency.
	// The intercept is among them when a column is constant.
	Columns []string
}

// Error names the columns and the remedy.
func (e *SingularError) Error() string {
	return fmt.Sprintf("columns %s cannot be told apart: leave one of them out", strings.Join(e.Columns, ", "))
}

// minSine is the smallest sine of the angle between a column and the span of
// the others that still counts as independent. At 1e-9 a coefficient keeps
// about seven digits before refinement; real drivers stay above 1e-3.
const minSine = 1e-9

// refinements is the number of corrections after the first solution. Two reach
// the precision of the stored coefficients on every reference set.
const refinements = 2

// LeastSquares fits y = b0 + Σ bj·xj to the rows by ordinary least squares.
// Each row holds one value per name; the intercept is added. It returns
// ErrInput for rows that cannot be used (fewer than coefficients + 1 among
// them) and a *SingularError when columns depend on each other.
func LeastSquares(rows [][]float64, y []float64, names []string) (Fit, error) {
	if err := checkInput(rows, y, names); err != nil {
		return Fit{}, err
	}
	all := append([]string{Intercept}, names...)
	x, scale, err := design(rows, all)
	if err != nil {
		return Fit{}, err
	}
	q, r := factor(x)
	rinv, err := invert(r, all)
	if err != nil {
		return Fit{}, err
	}
	b, res := solve(x, y, q, r)
	for j := range b {
		b[j] *= scale[j]
	}
	return describe(b, res, covariance(rinv, scale), y, all), nil
}

func checkInput(rows [][]float64, y []float64, names []string) error {
	if len(rows) != len(y) {
		return fmt.Errorf("%d rows with %d responses: %w", len(rows), len(y), ErrInput)
	}
	if need := len(names) + 2; len(rows) < need {
		return fmt.Errorf("%d rows for %d coefficients, expected at least %d rows: %w",
			len(rows), len(names)+1, need, ErrInput)
	}
	for i, row := range rows {
		if len(row) != len(names) {
			return fmt.Errorf("row %d has %d values, expected %d: %w", i+1, len(row), len(names), ErrInput)
		}
		for j, v := range row {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return fmt.Errorf("row %d, column %s is %v, expected a finite number: %w", i+1, names[j], v, ErrInput)
			}
		}
		if math.IsNaN(y[i]) || math.IsInf(y[i], 0) {
			return fmt.Errorf("response of row %d is %v, expected a finite number: %w", i+1, y[i], ErrInput)
		}
	}
	return nil
}

// design builds the matrix with the intercept's column of ones. Each column is
// divided by a power of two near its largest value, which is exact; scale holds
// the factor that takes a coefficient of the scaled column to the original.
func design(rows [][]float64, names []string) (x blas64.General, scale []float64, err error) {
	n, p := len(rows), len(names)
	x = blas64.General{Rows: n, Cols: p, Stride: p, Data: make([]float64, n*p)}
	scale = make([]float64, p)
	for j := range p {
		var largest float64
		for i, row := range rows {
			v := 1.0
			if j > 0 {
				v = row[j-1]
			}
			x.Data[i*p+j] = v
			largest = max(largest, math.Abs(v))
		}
		if largest == 0 {
			return x, nil, fmt.Errorf("column %s is zero in every row: %w", names[j], &SingularError{Columns: []string{names[j]}})
		}
		_, exp := math.Frexp(largest)
		scale[j] = math.Ldexp(1, -exp)
		for i := range n {
			x.Data[i*p+j] *= scale[j]
		}
	}
	return x, scale, nil
}

// factor gives x = q·r with q of the shape of x (orthonormal columns) and r
// upper triangular, by Householder reflections.
func factor(x blas64.General) (q blas64.General, r blas64.Triangular) {
	n, p := x.Rows, x.Cols
	q = blas64.General{Rows: n, Cols: p, Stride: p, Data: append([]float64(nil), x.Data...)}
	tau := make([]float64, p)
	size := make([]float64, 1)
	lapack64.Geqrf(q, tau, size, -1)
	work := make([]float64, int(size[0]))
	lapack64.Geqrf(q, tau, work, len(work))
	r = blas64.Triangular{Uplo: blas.Upper, Diag: blas.NonUnit, N: p, Stride: p, Data: make([]float64, p*p)}
	for i := range p {
		copy(r.Data[i*p+i:(i+1)*p], q.Data[i*p+i:(i+1)*p])
	}
	lapack64.Orgqr(q, tau, size, -1)
	work = make([]float64, int(size[0]))
	lapack64.Orgqr(q, tau, work, len(work))
	return q, r
}

// invert gives r⁻¹ or names the columns that depend on each other. The sine of
// the angle between column j and the others is 1/(|xj|·|row j of r⁻¹|); the
// columns of a dependency are those with a small sine, all others keep theirs.
func invert(r blas64.Triangular, names []string) (blas64.Triangular, error) {
	p := r.N
	length := make([]float64, p)
	inv := blas64.Triangular{Uplo: r.Uplo, Diag: r.Diag, N: p, Stride: p, Data: append([]float64(nil), r.Data...)}
	for j := range p {
		for i := range j + 1 {
			length[j] = math.Hypot(length[j], r.Data[i*p+j])
		}
		// An exactly dependent column would end the inversion; a tiny pivot
		// lets it go on far enough to tell which columns take part.
		if least := length[j] * 0x1p-60; math.Abs(inv.Data[j*p+j]) < least {
			inv.Data[j*p+j] = least
		}
	}
	lapack64.Trtri(inv)
	var dependent []string
	for j := range p {
		if 1 < minSine*length[j]*blas64.Nrm2(blas64.Vector{N: p - j, Inc: 1, Data: inv.Data[j*p+j : (j+1)*p]}) {
			dependent = append(dependent, names[j])
		}
	}
	if len(dependent) > 0 {
		return inv, &SingularError{Columns: dependent}
	}
	return inv, nil
}

// solve gives the coefficients of the scaled columns and the residuals. It
// refines both together (Björck 1967, "Iterative refinement of linear least
// squares solutions", BIT 7; from memory): with f = y − res − X·b and
// g = −X'·res computed precisely, the corrections solve
// res' + X·b' = f, X'·res' = g by the same factors.
func solve(x blas64.General, y []float64, q blas64.General, r blas64.Triangular) (b, res []float64) {
	n, p := x.Rows, x.Cols
	b, res = make([]float64, p), make([]float64, n)
	f, g := append([]float64(nil), y...), make([]float64, p)
	c := make([]float64, p)
	for pass := range refinements + 1 {
		if pass > 0 {
			for i := range n {
				var d dot
				d.add(1, y[i])
				d.add(-1, res[i])
				for j := range p {
					d.add(-x.Data[i*p+j], b[j])
				}
				f[i] = d.value()
			}
			for j := range p {
				var d dot
				for i := range n {
					d.add(-x.Data[i*p+j], res[i])
				}
				g[j] = d.value()
			}
		}
		correct(q, r, f, g, c, b, res)
	}
	return b, res
}

// correct adds the solution of res' + X·b' = f, X'·res' = g to b and res.
// It destroys g; c is room for p values.
func correct(q blas64.General, r blas64.Triangular, f, g, c, b, res []float64) {
	vec := func(v []float64) blas64.Vector { return blas64.Vector{N: len(v), Inc: 1, Data: v} }
	blas64.Trsv(blas.Trans, r, vec(g))               // h = R'⁻¹ g
	blas64.Gemv(blas.Trans, 1, q, vec(f), 0, vec(c)) // c = Q'f
	blas64.Axpy(-1, vec(c), vec(g))                  // h − c
	blas64.Axpy(1, vec(f), vec(res))                 // res += f + Q(h − c)
	blas64.Gemv(blas.NoTrans, 1, q, vec(g), 1, vec(res))
	blas64.Scal(-1, vec(g))
	blas64.Trsv(blas.NoTrans, r, vec(g)) // b' = R⁻¹(c − h)
	blas64.Axpy(1, vec(g), vec(b))
}

// covariance gives (X'X)⁻¹ = R⁻¹R⁻¹' for the unscaled columns.
func covariance(rinv blas64.Triangular, scale []float64) [][]float64 {
	p := rinv.N
	cov := make([][]float64, p)
	for i := range p {
		cov[i] = make([]float64, p)
		for j := range p {
			var v float64
			for k := max(i, j); k < p; k++ {
				v += rinv.Data[i*p+k] * rinv.Data[j*p+k]
			}
			cov[i][j] = v * scale[i] * scale[j]
		}
	}
	return cov
}

// describe computes the statistics of mv 2.2 from the residuals.
func describe(b, res []float64, cov [][]float64, y []float64, names []string) Fit {
	n, p := len(y), len(b)
	f := Fit{
		Names: names, Coefficients: b, Cov: cov, N: n, P: p,
		StdErrors: make([]float64, p), TValues: make([]float64, p),
	}
	var mean, bias, total, lagged, steps float64
	for _, v := range y {
		mean += v / float64(n)
	}
	for i, e := range res {
		f.SSE += e * e
		bias += e
		total += (y[i] - mean) * (y[i] - mean)
		if i > 0 {
			lagged += e * res[i-1]
			steps += (e - res[i-1]) * (e - res[i-1])
		}
	}
	df := float64(n - p)
	f.ResidualSD = math.Sqrt(f.SSE / df)
	if total > 0 {
		f.R2 = 1 - f.SSE/total
		f.AdjR2 = 1 - (1-f.R2)*float64(n-1)/df
	}
	if mean != 0 {
		f.CVRMSE = f.ResidualSD / mean
		f.NMBE = bias / (df * mean)
	}
	if f.SSE > 0 {
		f.Rho = lagged / f.SSE
		f.DurbinWatson = steps / f.SSE
	}
	for j := range p {
		f.StdErrors[j] = f.ResidualSD * math.Sqrt(cov[j][j])
		if f.StdErrors[j] > 0 {
			f.TValues[j] = b[j] / f.StdErrors[j]
		}
	}
	return f
}
