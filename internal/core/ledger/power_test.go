package ledger

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"curetally/internal/core/plant"
)

func samples(seconds []int, watts ...float64) []plant.Signal {
	out := make([]plant.Signal, len(watts))
	for i, w := range watts {
		out[i] = plant.Signal{Subject: "m", Name: plant.SignalPower, At: t0.Add(time.Duration(seconds[i]) * time.Second), Value: w}
	}
	return out
}

// From memory: the composite trapezoidal rule, worked by hand for six samples; the
// same without the segment that is longer than five minutes; and cut in its middle
// with the power there on the straight line.
func TestPowerCurve(t *testing.T) {
	six := samples([]int{0, 60, 120, 200, 260, 600}, 12_000, 18_500, 18_900, 4200, 4100, 4300)
	for _, c := range []struct {
		maxGap time.Duration
		want   float64 // kWh
	}{{0, 1.2883333333}, {300 * time.Second, 0.8916666667}} {
		curve := PowerCurve(six, c.maxGap, 0)
		if got := float64(curve.Total()) / kwh; math.Abs(got-c.want) > 5e-6 {
			t.Errorf("gap %v: %.10f kWh, expected %.10f", c.maxGap, got, c.want)
		}
	}
	// t0 lies on a border of 150 s.
	curve := PowerCurve(six, 0, 150*time.Second)
	for _, c := range []struct {
		from, to int
		want     float64
	}{{120, 150, 0.1345312500}, {150, 200, 0.1221354167}} {
		got, q := curve.Between(t0.Add(time.Duration(c.from)*time.Second), t0.Add(time.Duration(c.to)*time.Second))
		if math.Abs(float64(got)/kwh-c.want) > 2e-6 || q != plant.QualityEstimated {
			t.Errorf("%d to %d s: %d mWh (%s), expected %.10f kWh, estimated", c.from, c.to, got, q, c.want)
		}
	}
	last := PowerCurve(six, 300*time.Second, 0)
	if s := last[len(last)-1]; s.Amount != 0 || s.Quality != plant.QualityUnknown {
		t.Errorf("over the gap: %+v, expected nothing, of unknown quality", s)
	}
	if got := PowerCurve(samples([]int{0, 3600}, -50, -50), 0, 0).Total(); got != 0 {
		t.Errorf("power given back makes %d mWh, expected none", got)
	}
}

// A load of 500 W that is on for half of 60 samples in an hour: the mean power has a
// standard error of 500·√(0.25/60) = 32.2748612 W. From memory: standard error of a
// proportion.
func TestSamplingError(t *testing.T) {
	var s []plant.Signal
	for i := range 60 {
		s = append(s, plant.Signal{At: t0.Add(time.Duration(i) * time.Hour / 59), Value: float64(i%2) * 500})
	}
	if got := SamplingError(s); math.Abs(got-32_274.8612) > 0.001 {
		t.Errorf("%v mWh, expected 32 274.8612", got)
	}
	if !math.IsNaN(SamplingError(s[:1])) {
		t.Error("one sample has a sampling error")
	}
}

// What is spread over a gap adds up to what the register says, whatever samples and
// states there are, and covers the gap without a hole.
func TestShape_ConservesAndTiles(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := Segment{From: t0, To: t0.Add(time.Duration(rapid.IntRange(1, 1e6).Draw(t, "seconds")) * time.Second), Quality: plant.QualityInterpolated}
		s.Amount = rapid.Int64Range(-1<<50, 1<<50).Draw(t, "amount")
		var power []plant.Signal
		at := t0.Add(-time.Hour)
		for range rapid.IntRange(0, 20).Draw(t, "samples") {
			at = at.Add(time.Duration(rapid.IntRange(1, 1e5).Draw(t, "step")) * time.Second)
			power = append(power, plant.Signal{At: at, Value: rapid.Float64Range(-10, 1e6).Draw(t, "watts")})
		}
		spans := Timeline(drawEvents(t), time.Hour, nil)
		parts := Shape(s, power, spans, time.Duration(rapid.IntRange(0, 200).Draw(t, "gap"))*time.Minute)
		var sum int64
		from := s.From
		for _, p := range parts {
			if !p.From.Equal(from) || p.To.Before(p.From) || p.Quality != s.Quality {
				t.Fatalf("parts %v do not follow each other", parts)
			}
			sum, from = sum+p.Amount, p.To
		}
		if sum != s.Amount || !from.Equal(s.To) {
			t.Fatalf("parts %v add up to %d and end %s, expected %d and %s", parts, sum, from, s.Amount, s.To)
		}
	})
}

func TestShape(t *testing.T) {
	gap := Segment{From: t0, To: t0.Add(4 * time.Hour), Amount: 1000, Quality: plant.QualityInterpolated}
	hour := func(parts []Segment) (out [4]int64) {
		for h := range out {
			out[h], _ = Curve(parts).Between(t0.Add(time.Duration(h)*time.Hour), t0.Add(time.Duration(h+1)*time.Hour))
		}
		return out
	}
	off := []plant.Span{spanOf(time.Hour, 3*time.Hour, plant.StateOff, plant.TechnologyArc)}
	power := samples([]int{0, 3600, 3601, 7200, 10_800, 14_399}, 0, 0, 1000, 1000, 1000, 1000)
	for _, c := range []struct {
		name    string
		samples []plant.Signal
		spans   []plant.Span
		maxGap  time.Duration
		want    [4]int64
	}{
		{"evenly where nothing is known", nil, nil, 0, [4]int64{250, 250, 250, 250}},
		{"nothing across a known shutdown", nil, off, 0, [4]int64{500, 0, 0, 500}},
		{"samples win over states", power, off, time.Hour, [4]int64{0, 333, 333, 334}},
		{"samples that leave a gap are not used", power[:3], off, time.Hour, [4]int64{500, 0, 0, 500}},
		{"off all the time: evenly, as something ran", nil, []plant.Span{spanOf(0, 5*time.Hour, plant.StateOff, plant.TechnologyArc)}, 0, [4]int64{250, 250, 250, 250}},
	} {
		if got := hour(Shape(gap, c.samples, c.spans, c.maxGap)); got != c.want {
			t.Errorf("%s: %v, expected %v", c.name, got, c.want)
		}
	}
}
