package profiles

import (
	"embed"
	"fmt"
	"io/fs"
	"slices"
	"strings"

	"curetally/internal/core/plant"
	"curetally/internal/link/config/strictyaml"
)

//go:embed *.yaml
var files embed.FS

// Spec is a profile as written in YAML.
type Spec struct {
	// File names another file that holds the profile, instead of all else.
	File      string `yaml:"file,scalar"`
	Name      string `yaml:"name"`
	Title     string `yaml:"title"`
	Function  uint8  `yaml:"function"`
	WordOrder string `yaml:"word_order"`
	ByteOrder string `yaml:"byte_order"`
	// MaxWaste is how many registers that no value needs one read may carry so
	// that two values come in one request: 0 to 120, 16 when left out.
	MaxWaste uint16   `yaml:"max_waste"`
	Anchors  []Anchor `yaml:"anchors"`
	Values   []Value  `yaml:"values"`
}

// SetDefaults sets holding registers, high word and high byte first.
func (s *Spec) SetDefaults() { s.Function, s.WordOrder, s.ByteOrder, s.MaxWaste = 3, "big", "big", 16 }

// Anchor is a run of registers with known content, as written in YAML.
type Anchor struct {
	Function uint8    `yaml:"function"`
	Address  uint16   `yaml:"address,required"`
	Words    []uint16 `yaml:"words,required"`
}

// Value is one value of a profile, as written in YAML. What it leaves out is
// taken from the profile.
type Value struct {
	Name          string             `yaml:"name,required"`
	Function      uint8              `yaml:"function"`
	Address       uint16             `yaml:"address,required"`
	Type          string             `yaml:"type,required"`
	WordOrder     string             `yaml:"word_order"`
	ByteOrder     string             `yaml:"byte_order"`
	Scale         strictyaml.Decimal `yaml:"scale"`
	ScaleRegister *uint16            `yaml:"scale_register"`
	Unit          string             `yaml:"unit"`
	Cumulative    *bool              `yaml:"cumulative"` // default: energy units
	Net           bool               `yaml:"net"`        // counts both ways and may be negative
	Modulus       uint64             `yaml:"modulus"`
	NoValue       *uint64            `yaml:"no_value"`
}

// Ready gives the ready-made profiles, ordered by name. It panics when an
// embedded file is wrong, which a test rules out.
func Ready() []plant.Profile {
	names, err := fs.Glob(files, "*.yaml")
	if err != nil {
		panic(err)
	}
	all := make([]plant.Profile, 0, len(names))
	for _, name := range names {
		data, err := files.ReadFile(name)
		if err != nil {
			panic(err)
		}
		p, problems := Read(name, data)
		if len(problems) > 0 {
			panic(problems)
		}
		all = append(all, p)
	}
	return all
}

// Read takes a profile from the text of a file of its own.
func Read(file string, data []byte) (plant.Profile, strictyaml.Problems) {
	var s Spec
	doc := strictyaml.Decode(file, data, &s)
	if len(doc.Problems()) > 0 && s.Values == nil {
		return plant.Profile{Name: s.Name}, doc.Problems()
	}
	if s.File != "" {
		doc.Report("file", "a profile file names another file", "write the profile here, or name that file in the configuration")
		return plant.Profile{Name: s.Name}, doc.Problems()
	}
	p := s.Profile(doc, "")
	return p, doc.Problems()
}

func sub(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

// Profile checks the spec and turns it into a profile. Problems go to doc under
// path; the profile is usable only when there are none.
func (s Spec) Profile(doc *strictyaml.Document, path string) plant.Profile {
	p := plant.Profile{Name: s.Name, Title: s.Title, MaxWaste: s.MaxWaste}
	if err := plant.ValidName(s.Name); err != nil {
		doc.Report(sub(path, "name"), err.Error(), "name the profile, for example name: panel-meter")
	}
	if p.Title == "" {
		p.Title = s.Name
	}
	if s.MaxWaste > 120 {
		doc.Report(sub(path, "max_waste"), "more unused registers than a read can carry", "expected 0 to 120")
	}
	checkFunction(doc, sub(path, "function"), s.Function)
	for i, a := range s.Anchors {
		at := fmt.Sprintf("%s[%d]", sub(path, "anchors"), i)
		if a.Function == 0 {
			a.Function = s.Function
		}
		checkFunction(doc, at+".function", a.Function)
		if n := len(a.Words); n == 0 || n > 16 || int(a.Address)+n > 1<<16 {
			doc.Report(at+".words", "not a run of registers", "write 1 to 16 words that end at address 65535 at most")
			continue
		}
		p.Anchors = append(p.Anchors, plant.Anchor{Function: a.Function, Address: a.Address, Words: a.Words})
	}
	if len(s.Values) == 0 {
		doc.Report(sub(path, "values"), "the profile has no values", "list at least one value, for example {name: import, address: 0, type: uint32, unit: Wh}")
	}
	for i, v := range s.Values {
		at := fmt.Sprintf("%s[%d]", sub(path, "values"), i)
		p.Values = append(p.Values, s.value(doc, at, v))
	}
	s.checkNames(doc, path)
	checkOverlap(doc, path, p)
	return p
}

func checkFunction(doc *strictyaml.Document, path string, function uint8) {
	if function != 3 && function != 4 {
		doc.Report(path, fmt.Sprintf("function code %d", function), "expected 3 (holding registers) or 4 (input registers)")
	}
}

// order reads a word or byte order; true when the low part comes first.
func order(doc *strictyaml.Document, path, word, fallback string) bool {
	if word == "" {
		word = fallback
	}
	if word != "big" && word != "little" {
		doc.Report(path, fmt.Sprintf("order %q", word), "expected big (high part first) or little (low part first)")
	}
	return word == "little"
}

func (s Spec) value(doc *strictyaml.Document, at string, v Value) plant.ProfileValue {
	pv := plant.ProfileValue{
		Name: v.Name, Function: v.Function, Address: v.Address, Type: plant.WordType(v.Type),
		LittleWords: order(doc, at+".word_order", v.WordOrder, s.WordOrder),
		LittleBytes: order(doc, at+".byte_order", v.ByteOrder, s.ByteOrder),
		Scale:       string(v.Scale), ScaleRegister: v.ScaleRegister, Unit: v.Unit,
		ModulusCounts: v.Modulus, NoValue: v.NoValue, Net: v.Net,
	}
	if pv.Function == 0 {
		pv.Function = s.Function
	}
	checkFunction(doc, at+".function", pv.Function)
	if err := plant.ValidName(v.Name); err != nil {
		doc.Report(at+".name", err.Error(), "name the value, for example import or power")
	}
	words := pv.Type.Words()
	if words == 0 {
		var types []string
		for _, t := range plant.WordTypes() {
			types = append(types, string(t))
		}
		doc.Report(at+".type", fmt.Sprintf("unknown type %q", v.Type), "expected "+strings.Join(types, ", "))
	}
	if int(v.Address)+int(words) > 1<<16 {
		doc.Report(at+".address", "the value ends beyond register 65535", "check the address; it is counted from 0")
	}
	if v.Scale != "" && v.Scale.Rat().Sign() == 0 {
		doc.Report(at+".scale", "the scale is 0", "write the factor from counts to the unit, for example 0.01")
	}
	energy := energyUnit(v.Unit) > 0
	if units := []string{"", "mWh", "Wh", "kWh", "MWh", "W", "kW", "V", "A", "Hz"}; !slices.Contains(units, v.Unit) {
		doc.Report(at+".unit", fmt.Sprintf("unknown unit %q", v.Unit), "expected one of "+strings.Join(units[1:], ", ")+", or no unit")
	}
	pv.Cumulative = energy
	if v.Cumulative != nil {
		pv.Cumulative = *v.Cumulative
	}
	if !pv.Cumulative {
		if v.Net {
			doc.Report(at+".net", "a momentary value that counts both ways", "remove net; only an energy register counts")
		}
		if v.Modulus != 0 {
			doc.Report(at+".modulus", "a modulus on a momentary value", "remove it, or write cumulative: true")
		}
		return pv
	}
	checkCumulative(doc, at, pv, energy)
	return pv
}

// checkCumulative checks what only a cumulative register must keep to.
func checkCumulative(doc *strictyaml.Document, at string, v plant.ProfileValue, energy bool) {
	if !energy {
		doc.Report(at+".unit", "a cumulative value is not in a unit of energy", "expected mWh, Wh, kWh or MWh")
		return
	}
	if strictyaml.Decimal(v.Scale).Rat().Sign() < 0 {
		doc.Report(at+".scale", "the scale of a cumulative value is negative", "write a positive factor; swap the current transformers if the meter counts backwards")
	}
	if v.Net && v.Type.Unsigned() {
		doc.Report(at+".net", fmt.Sprintf("a %s cannot be negative", v.Type), "write the signed type that the meter's manual gives, for example int32, or remove net")
	}
	if v.ModulusCounts > 0 && v.ScaleRegister == nil {
		if _, err := modulus(v); err != nil {
			doc.Report(at+".modulus", err.Error(), "give the modulus in raw counts")
		}
	}
	if width := widthOf(v); width > 0 && v.ModulusCounts > 0 && width < 64 && v.ModulusCounts > 1<<width {
		doc.Report(at+".modulus", "more counts than the type can hold", fmt.Sprintf("expected at most %d", uint64(1)<<width))
	}
}

// checkNames refuses two values of one name.
func (s Spec) checkNames(doc *strictyaml.Document, path string) {
	seen := map[string]int{}
	for i, v := range s.Values {
		if first, double := seen[v.Name]; double {
			doc.Report(fmt.Sprintf("%s[%d].name", sub(path, "values"), i), fmt.Sprintf("value %q is there twice (also values[%d])", v.Name, first), "give each value its own name")
			continue
		}
		seen[v.Name] = i
	}
}

// run is a stretch of registers with one meaning.
type run struct {
	path, what  string
	function    uint8
	first, last int
	scale       bool
}

// checkOverlap refuses registers with two meanings. Several values may share a
// scale register.
func checkOverlap(doc *strictyaml.Document, path string, p plant.Profile) {
	var runs []run
	for i, a := range p.Anchors {
		runs = append(runs, run{fmt.Sprintf("%s[%d].address", sub(path, "anchors"), i), fmt.Sprintf("anchors[%d]", i), a.Function, int(a.Address), int(a.Address) + len(a.Words) - 1, false})
	}
	for i, v := range p.Values {
		at := fmt.Sprintf("%s[%d]", sub(path, "values"), i)
		if words := int(v.Type.Words()); words > 0 {
			runs = append(runs, run{at + ".address", "value " + v.Name, v.Function, int(v.Address), int(v.Address) + words - 1, false})
		}
		if v.ScaleRegister != nil {
			r := int(*v.ScaleRegister)
			runs = append(runs, run{at + ".scale_register", "the scale of " + v.Name, v.Function, r, r, true})
		}
	}
	for i, b := range runs {
		for _, a := range runs[:i] {
			if a.function == b.function && a.first <= b.last && b.first <= a.last && (!a.scale || !b.scale) {
				doc.Report(b.path, fmt.Sprintf("registers %d to %d overlap %s (registers %d to %d)", b.first, b.last, a.what, a.first, a.last), "correct the address or the type of one of them")
				break
			}
		}
	}
}

// Shift moves every address of a profile by an offset: the same map at another
// base. It fails when an address would leave 0 to 65535.
func Shift(p plant.Profile, offset int) (plant.Profile, error) {
	if offset == 0 {
		return p, nil
	}
	var failed error
	move := func(address uint16, words int) uint16 {
		moved := int(address) + offset
		if moved < 0 || moved+words > 1<<16 {
			failed = fmt.Errorf("register %d of profile %s moves to %d, outside 0 to 65535", address, p.Name, moved)
			return address
		}
		return uint16(moved)
	}
	p.Values = slices.Clone(p.Values)
	for i, v := range p.Values {
		p.Values[i].Address = move(v.Address, int(v.Type.Words()))
		if v.ScaleRegister != nil {
			moved := move(*v.ScaleRegister, 1)
			p.Values[i].ScaleRegister = &moved
		}
	}
	p.Anchors = slices.Clone(p.Anchors)
	for i, a := range p.Anchors {
		p.Anchors[i].Address = move(a.Address, len(a.Words))
	}
	return p, failed
}
