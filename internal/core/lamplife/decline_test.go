package lamplife_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"curetally/internal/core/lamplife"
	"curetally/internal/core/stats"
)

func decline(t *testing.T, readings []lamplife.Reading) lamplife.Decline {
	t.Helper()
	d, err := lamplife.FitDecline(readings)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// every gives readings at equal distances from 0 h.
func every(hours float64, outputs ...float64) []lamplife.Reading {
	var all []lamplife.Reading
	for i, o := range outputs {
		all = append(all, lamplife.Reading{Hours: hours * float64(i), Output: o})
	}
	return all
}

func laboratory() []lamplife.Reading {
	return every(1000, 1.0000, 1.0061, 1.0032, 0.9968, 0.9925, 0.9879, 0.9842, 0.9791, 0.9757, 0.9712)
}

// Source: R 4.2.2 and scipy 1.10, by the method of IES TM-21-11.
func TestFitDecline_Laboratory(t *testing.T) {
	d := decline(t, laboratory())
	if d.Used != 6 || d.Wild != 0 || d.Separated || d.Cleanings != 0 {
		t.Errorf("%d readings used, %d wild, separated %v", d.Used, d.Wild, d.Separated)
	}
	nearRel(t, "decay", d.Decay, 4.312778718914e-06, 1e-11)
	nearRel(t, "initial", d.Initial, 1.009650549100, 1e-12)
	nearRel(t, "limit", d.Limit(), 54_000, 1e-15)
	for share, want := range map[float64]float64{0.9: 26656.780499, 0.8: 53967.023694} {
		at := d.To(share, 0.9)
		nearRel(t, "hours", at.Hours, want, 1e-10)
		if at.Capped || at.Seen || !(at.Low < at.Hours && at.Hours < at.High) {
			t.Errorf("to %v: %+v", share, at)
		}
	}
	at := d.To(0.7, 0.9)
	nearRel(t, "calculated", at.Calculated, 84928.823806, 1e-10)
	if at.Hours != 54_000 || !at.Capped || at.High != 54_000 {
		t.Errorf("to 0.7: %+v, want the limit of the projection", at)
	}
	unknown(t, map[string]float64{"dirt": d.Dirt, "recoverable": d.Recoverable, "with dirt": d.WithDirt(0.7, 0.1)})
}

// Source: scipy 1.10: the first 7 readings, treated as a test of 6,000 h.
func TestFitDecline_ShorterLaboratory(t *testing.T) {
	d := decline(t, laboratory()[:7])
	nearRel(t, "decay", d.Decay, 4.584780437e-06, 1e-9)
	nearRel(t, "initial", d.Initial, 1.0111826303, 1e-10)
	at := d.To(0.7, 0.9)
	nearRel(t, "calculated", at.Calculated, 80220.9649802816, 1e-10)
	if d.Used != 6 || at.Hours != 36_000 || !at.Capped {
		t.Errorf("%d readings used, %+v", d.Used, at)
	}
}

func TestFitDecline_WindowOfALongTest(t *testing.T) {
	var outputs []float64
	for i := range 13 {
		outputs = append(outputs, math.Exp(-1e-5*1000*float64(i)))
	}
	if d := decline(t, every(1000, outputs...)); d.Used != 7 { // 6,000 to 12,000 h
		t.Errorf("%d readings used of 12,000 h, want the last half", d.Used)
	}
	if d := decline(t, every(1100, outputs[:12]...)); d.Used != 7 { // half is 6,050 h: from 5,500 h
		t.Errorf("%d readings used of 12,100 h, want one before the half", d.Used)
	}
	if d := decline(t, every(500, outputs[:12]...)); d.Used != 12 {
		t.Errorf("%d readings used of 5,500 h, want all", d.Used)
	}
}

// Source: own computation, linear between 0.712 at 4,000 h and 0.684 at 5,000 h.
func TestTo_SeenInsideTheReadings(t *testing.T) {
	d := decline(t, every(1000, 1, 0.92, 0.84, 0.775, 0.712, 0.684))
	at := d.To(0.7, 0.9)
	nearRel(t, "hours", at.Hours, 4428.571429, 1e-9)
	if !at.Seen || at.Capped {
		t.Errorf("%+v", at)
	}
	if at = d.To(0.6, 0.9); at.Seen || at.Hours < 5000 {
		t.Errorf("to 0.6: %+v, want a projection", at)
	}
}

// sawtooth are readings of a lens that was cleaned every 500 h, made with an
// ageing of 3e-5 and dirt of 1.6e-4 per hour.
func sawtooth() []lamplife.Reading {
	outputs := []float64{
		15.217, 14.854, 14.648, 14.430, 14.059, 13.807, 15.005, 14.692, 14.343, 14.172, 13.920, 13.629,
		14.664, 14.517, 14.215, 13.906, 13.726, 13.399, 14.533, 14.243, 13.933, 13.795, 13.468, 13.253,
	}
	var all []lamplife.Reading
	for i, o := range outputs {
		at := []float64{10, 100, 200, 300, 400, 490}[i%6]
		all = append(all, lamplife.Reading{Hours: float64(i/6*500) + at, Output: o, Cleaned: i%6 == 0})
	}
	return all
}

// Source: scipy 1.10. The readings there are 10 h after the cleanings, here they
// are the cleanings; that is a factor of the initial output alone.
func TestFitDecline_Sawtooth(t *testing.T) {
	d := decline(t, sawtooth())
	if !d.Separated || d.Cleanings != 3 || d.Used != 24 || d.Wild != 0 {
		t.Errorf("separated %v, %d cleanings, %d used, %d wild", d.Separated, d.Cleanings, d.Used, d.Wild)
	}
	nearRel(t, "ageing", d.Decay, 2.982522640894e-05, 1e-9)
	nearRel(t, "dirt", d.Dirt, 1.612921136770e-04, 1e-9)
	nearRel(t, "initial", d.Initial*math.Exp(10*d.Dirt), 15.205413094955, 1e-10)
	nearRel(t, "loss by dirt after 500 h", -math.Expm1(-500*d.Dirt), 0.077479847, 1e-8)
	nearRel(t, "ageing after 2,000 h", -math.Expm1(-2000*d.Decay), 0.057906218, 1e-8)
	nearRel(t, "recoverable at the last reading", d.Recoverable, -math.Expm1(-480*1.612921136770e-04), 1e-9)
	nearRel(t, "clean life to 80 %", d.To(0.8, 0.9).Hours, 7481.705193, 1e-9)
	nearRel(t, "life with dirt", d.WithDirt(0.8, -math.Expm1(-500*d.Dirt)), 4777.750637, 1e-9)
	nearRel(t, "cleaning at 6 %", d.CleaningAfter(0.06), 383.623243, 1e-8)
}

// A fifth of the readings may be wild: what is said of ageing and dirt stays.
func TestFitDecline_WildReadings(t *testing.T) {
	readings := sawtooth()
	for _, i := range []int{3, 8, 15, 22} {
		readings[i].Output *= 0.7
	}
	d := decline(t, readings)
	if d.Wild != 4 || d.Used != 20 {
		t.Errorf("%d wild, %d used", d.Wild, d.Used)
	}
	nearRel(t, "ageing", d.Decay, 2.98e-05, 0.1)
	nearRel(t, "dirt", d.Dirt, 1.61e-04, 0.05)
	// Source: scipy 1.10: without the wild reading −0.000465743 of 12 per hour.
	d = decline(t, every(200, 12.00, 11.91, 11.80, 11.74, 9.85, 11.55, 11.43, 11.36, 11.24, 11.17))
	if d.Wild != 1 || d.Used != 9 {
		t.Errorf("%d wild, %d used", d.Wild, d.Used)
	}
	nearRel(t, "decay", d.Decay, 4.05e-05, 0.02)
	nearRel(t, "hours to 80 %", d.To(0.8, 0.9).Hours, 5335, 0.05)
}

func TestFitDecline_OneCleaningDoesNotTellThemApart(t *testing.T) {
	d := decline(t, sawtooth()[:12])
	if d.Separated || d.Cleanings != 1 {
		t.Errorf("separated %v with %d cleanings", d.Separated, d.Cleanings)
	}
	nearRel(t, "ageing and dirt", d.Decay, 1.91e-4, 0.03)
	unknown(t, map[string]float64{"dirt": d.Dirt, "recoverable": d.Recoverable, "cleaning": d.CleaningAfter(0.1)})
}

func TestFitDecline_NoDecline(t *testing.T) {
	at := decline(t, every(100, 1, 1.001, 1.002, 1.003, 1.004, 1.005)).To(0.7, 0.9)
	if at.Hours != 3000 || !at.Capped || !math.IsNaN(at.Calculated) || at.Low != 3000 {
		t.Errorf("%+v, want the limit alone", at)
	}
	// Output that rises between cleanings is no dirt.
	var up []lamplife.Reading
	for i := range 12 {
		up = append(up, lamplife.Reading{Hours: float64(100 * i), Output: 10 + 0.01*float64(i%4) - 0.05*float64(i/4), Cleaned: i%4 == 0})
	}
	if d := decline(t, up); d.Dirt != 0 || d.Recoverable != 0 || !(d.Decay > 0) || !math.IsInf(d.CleaningAfter(0.1), 1) {
		t.Errorf("%+v", d)
	}
}

func TestLimit_FewReadingsReachLess(t *testing.T) {
	for n, want := range map[int]float64{3: 600, 4: 1200, 5: 2000, 6: 3000, 7: 3600} {
		d := decline(t, every(100, []float64{1, 0.999, 0.998, 0.997, 0.996, 0.995, 0.994}[:n]...))
		nearRel(t, "limit", d.Limit(), want, 1e-12)
	}
	// A lamp that was first measured late is projected from there.
	d := decline(t, []lamplife.Reading{{Hours: 9000, Output: 5}, {Hours: 9100, Output: 4.99}, {Hours: 9200, Output: 4.98}})
	nearRel(t, "limit", d.Limit(), 9600, 1e-12)
}

func TestFitDecline_Refuses(t *testing.T) {
	for name, c := range map[string]struct {
		readings []lamplife.Reading
		want     error
	}{
		"none":               {nil, lamplife.ErrFewReadings},
		"two":                {every(100, 1, 0.9), lamplife.ErrFewReadings},
		"at the same hours":  {every(0, 1, 0.9, 0.8), lamplife.ErrFewReadings},
		"output of 0":        {every(100, 1, 0, 0.8), stats.ErrInput},
		"negative hours":     {every(-100, 1, 0.9, 0.8), stats.ErrInput},
		"not in order":       {[]lamplife.Reading{{Hours: 5, Output: 1}, {Hours: 4, Output: 1}, {Hours: 6, Output: 1}}, stats.ErrInput},
		"cleaned every time": {[]lamplife.Reading{{Hours: 1, Output: 5}, {Hours: 2, Output: 5, Cleaned: true}, {Hours: 3, Output: 5, Cleaned: true}}, lamplife.ErrFewReadings},
	} {
		if _, err := lamplife.FitDecline(c.readings); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", name, err, c.want)
		}
	}
}

// Another unit of output changes the initial output alone, and exact readings
// give back what made them.
func TestFitDecline_GivesBackWhatMadeTheReadings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		initial := math.Exp(rapid.Float64Range(-5, 10).Draw(t, "ln initial"))
		ageing := rapid.Float64Range(1e-6, 2e-4).Draw(t, "ageing")
		dirt := rapid.Float64Range(1e-6, 1e-3).Draw(t, "dirt")
		var readings []lamplife.Reading
		for cycle := range rapid.IntRange(3, 6).Draw(t, "cycles") {
			for i := range rapid.IntRange(2, 6).Draw(t, "readings") {
				dirty := 60 * float64(i)
				h := float64(cycle)*400 + dirty
				readings = append(readings, lamplife.Reading{Hours: h, Output: initial * math.Exp(-ageing*h-dirt*dirty), Cleaned: i == 0})
			}
		}
		d, err := lamplife.FitDecline(readings)
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range [][2]float64{{d.Initial, initial}, {d.Decay, ageing}, {d.Dirt, dirt}} {
			if math.Abs(c[0]-c[1]) > 1e-6*c[1] {
				t.Fatalf("%v instead of %v", c[0], c[1])
			}
		}
		if at := d.To(0.7, 0.9); at.Hours > d.Limit() || d.Limit() > 6*readings[len(readings)-1].Hours {
			t.Fatalf("%+v beyond %v", at, d.Limit())
		}
	})
}

// Whatever the readings are, the hours lie between 0 and the limit, and what is
// not told is NaN: nothing is infinite but a cleaning that is never due.
func TestFitDecline_AnyReadings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var readings []lamplife.Reading
		var hours float64
		for range rapid.IntRange(0, 20).Draw(t, "n") {
			hours += rapid.SampledFrom([]float64{0, 1, 40, 900, 2500, 1e6}).Draw(t, "further")
			readings = append(readings, lamplife.Reading{
				Hours:   hours,
				Output:  rapid.OneOf(rapid.Float64Range(8, 12), rapid.Float64Range(1e-9, 1e9)).Draw(t, "output"),
				Cleaned: rapid.IntRange(0, 4).Draw(t, "cleaned") == 0,
			})
		}
		d, err := lamplife.FitDecline(readings)
		if errors.Is(err, lamplife.ErrFewReadings) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		at := d.To(0.7, 0.95)
		if !(at.Hours >= 0 && at.Hours <= d.Limit()) || at.Low > at.High || math.IsInf(at.High, 0) || math.IsInf(at.Calculated, 0) {
			t.Fatalf("%+v with a limit of %v", at, d.Limit())
		}
		if d.Separated && !(d.Dirt >= 0 && d.Recoverable >= 0 && d.Recoverable <= 1) {
			t.Fatalf("dirt %v, recoverable %v", d.Dirt, d.Recoverable)
		}
		if d.Used+d.Wild > len(readings) || d.Used < 3 {
			t.Fatalf("%d used and %d wild of %d", d.Used, d.Wild, len(readings))
		}
	})
}

// The 90 % limits of the hours hold the truth in nearly that share.
// Source: own computation with a fixed seed.
func TestTo_Coverage(t *testing.T) {
	const runs = 500
	rnd := rand.New(rand.NewPCG(3, 5))
	held := 0
	for range runs {
		var readings []lamplife.Reading
		for i := range 24 {
			h := 10 + 100*float64(i) // none at 0 h: the fitted initial output counts as 1
			dirty := float64(100 * (i % 6))
			readings = append(readings, lamplife.Reading{Hours: h, Output: math.Exp(-5e-5*h - 1e-4*dirty + 0.004*rnd.NormFloat64()), Cleaned: i%6 == 0})
		}
		at := decline(t, readings).To(0.9, 0.90)
		if truth := -math.Log(0.9) / 5e-5; at.Low <= truth && truth <= at.High {
			held++
		}
	}
	if share := float64(held) / runs; share < 0.85 || share > 0.98 {
		t.Errorf("the 90 %% limits hold the truth in %.3f of the runs", share)
	} else {
		t.Logf("limits hold the truth in %.3f", share)
	}
}
