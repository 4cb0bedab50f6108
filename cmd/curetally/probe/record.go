package probe

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"curetally/cmd/curetally/desk"
	"curetally/internal/core/commission"
	"curetally/internal/core/layout"
)

// safety stands on top of everything that is shown.
const safety = "Panels are for licensed electricians; follow the local electrical code. Never open the secondary of a current transformer on load: short it at the block first. This program only reads and is no safety function."

// notRead is the problem of a meter before its first answer.
const notRead = "not read yet"

// Record is the commissioning record: what was found of each meter, when and by
// whom.
type Record struct {
	Site    string    `json:"site"`
	At      time.Time `json:"at"`
	By      string    `json:"by,omitempty"`
	Program string    `json:"program"`
	Safety  string    `json:"safety"`
	// Notice is about the line that was read; empty when there is nothing to say.
	Notice      string                 `json:"notice,omitempty"`
	Transformer commission.Transformer `json:"current_transformer"`
	Meters      []Meter                `json:"meters"`
}

// Meter is what was found of one meter.
type Meter struct {
	Meter      string  `json:"meter"`
	Bus        string  `json:"bus"`
	URL        string  `json:"url"`
	Unit       uint8   `json:"unit"`
	Profile    string  `json:"profile"`
	Multiplier string  `json:"multiplier,omitempty"`
	MaxPower   float64 `json:"max_power_watts"`
	// At is when the values were read; zero when they never were.
	At       time.Time            `json:"at,omitzero"`
	Values   []layout.Value       `json:"values"`
	Settings []Setting            `json:"settings"`
	Verdicts []commission.Verdict `json:"verdicts"`
	// Movements are of every energy register since the watch began.
	Movements []commission.Movement `json:"movements"`
	// Transformer is that of the configuration; that of the record goes before it.
	Transformer commission.Transformer `json:"current_transformer,omitzero"`
	// Problem says why the last reading failed; empty when it did not.
	Problem string `json:"problem,omitempty"`
}

// Setting is how a meter's values look under one setting.
type Setting struct {
	layout.Setting
	Name       string             `json:"name"`
	Configured bool               `json:"configured"`
	Plausible  int                `json:"plausible"`
	Doubtful   int                `json:"doubtful"`
	Anchors    commission.Outcome `json:"anchors,omitempty"`
	Register   commission.Outcome `json:"register,omitempty"`
	Values     []layout.Value     `json:"values"`
}

func newMeter(s *subject) Meter {
	m := s.meter
	return Meter{
		Meter: string(m.ID), Bus: string(m.Bus), URL: s.url, Unit: m.Unit, Profile: m.Profile.Name,
		Multiplier: m.Multiplier, MaxPower: m.MaxPower, Problem: notRead,
		Values: []layout.Value{}, Settings: []Setting{}, Verdicts: []commission.Verdict{}, Movements: []commission.Movement{},
		Transformer: commission.Transformer{Amperes: m.Accuracy.Amperes, Class: m.Accuracy.Transformers},
	}
}

// transformerText says which current transformers a meter was judged by; empty
// when nobody stated them.
func (r Record) transformerText(m *Meter) string {
	ct := r.Transformer
	if ct.Amperes == 0 {
		ct = m.Transformer
	}
	if ct.Amperes == 0 || ct.Class == "" && r.Transformer.Amperes == 0 {
		return ""
	}
	text := fmt.Sprintf("%.4g A primary", ct.Amperes)
	if ct.Class != "" {
		text += ", class " + ct.Class
	}
	return text
}

func (m *Meter) set(at time.Time, f commission.Finding) {
	m.At, m.Values, m.Verdicts, m.Problem = at, f.Values, f.Verdicts, ""
	m.Movements = slices.Concat([]commission.Movement{}, f.Movements)
	m.Settings = nil
	for _, s := range f.Settings {
		m.Settings = append(m.Settings, Setting{
			Setting: s.Setting, Name: s.Setting.String(), Configured: s.Configured(),
			Plausible: s.Plausible, Doubtful: s.Doubtful, Anchors: s.Anchors, Register: s.Register, Values: s.Values,
		})
	}
}

// outcome is the worst of a meter's verdicts.
func (m *Meter) outcome() commission.Outcome {
	has := func(o commission.Outcome) bool {
		return slices.ContainsFunc(m.Verdicts, func(v commission.Verdict) bool { return v.Outcome == o })
	}
	switch {
	case m.Problem != "" || has(commission.Wrong):
		return commission.Wrong
	case has(commission.Doubtful):
		return commission.Doubtful
	case has(commission.Good):
		return commission.Good
	default:
		return commission.Open
	}
}

// verdict is the error that the command ends with: a failure when no meter was
// ever read, a finding when something is wrong.
func (r Record) verdict() error {
	wrong := slices.ContainsFunc(r.Meters, func(m Meter) bool { return m.outcome() == commission.Wrong })
	read := slices.ContainsFunc(r.Meters, func(m Meter) bool { return !m.At.IsZero() })
	switch {
	case !read && len(r.Meters) == 1:
		return errors.New(r.Meters[0].Problem)
	case !read:
		return fmt.Errorf("none of %s could be read; the first: %s", desk.Count(len(r.Meters), "meter"), r.Meters[0].Problem)
	case wrong:
		return desk.ErrFinding
	default:
		return nil
	}
}

// writeRecord writes the record in the form that the file's name asks for.
func writeRecord(f *os.File, r Record, zone *time.Location) error {
	switch filepath.Ext(f.Name()) {
	case ".json":
		return desk.WriteJSON(f, r)
	case ".pdf":
		return recordPDF(f, r, zone)
	default:
		_, err := f.Write(recordText(r, zone))
		return err
	}
}
