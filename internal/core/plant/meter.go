package plant

import "time"

// Profile describes the register map of a kind of meter. Profiles are data: a
// new kind of meter needs a new file, no code.
type Profile struct {
	Name   string
	Title  string
	Values []ProfileValue
	// Anchors are registers with a known content, read with the values, that
	// prove that the answer belongs to the question.
	Anchors []Anchor
	// MaxWaste is how many unused registers a merged read may carry; the gap
	// between a value and its scale register does not count.
	MaxWaste uint16
}

// Anchor is a run of registers whose content is known beforehand.
type Anchor struct {
	Function uint8 // 3 or 4
	Address  uint16
	Words    []uint16
}

// ProfileValue is one value in a meter's register map.
type ProfileValue struct {
	Name     string // for example "import" or "power"
	Function uint8  // 3 holding registers, 4 input registers
	Address  uint16 // protocol address, counted from 0
	Type     WordType
	// LittleWords: the low 16-bit word comes first.
	LittleWords bool
	// LittleBytes: the low byte comes first within each register.
	LittleBytes bool
	// Scale is an exact decimal such as "0.01": value = raw × Scale in Unit.
	// Empty means 1.
	Scale string
	// ScaleRegister is the address of a signed power-of-ten exponent read with
	// the value; nil when there is none.
	ScaleRegister *uint16
	Unit          string // mWh Wh kWh MWh W kW V A Hz or ""
	// Cumulative marks an energy register; false is a momentary value.
	Cumulative bool
	// Net marks an energy register that counts both ways (import less export)
	// and may be negative.
	Net bool
	// ModulusCounts is the raw count at which the register starts again; 0
	// means the width of an unsigned integer type, or of a signed one that is Net,
	// none for floats.
	ModulusCounts uint64
	// NoValue is the raw content that means "not implemented"; nil when every
	// content is a value.
	NoValue *uint64
}

// WordType is how a value is laid out in registers.
type WordType string

// The word types.
const (
	Uint16  WordType = "uint16"
	Int16   WordType = "int16"
	Uint32  WordType = "uint32"
	Int32   WordType = "int32"
	Uint48  WordType = "uint48"
	Int48   WordType = "int48"
	Uint64  WordType = "uint64"
	Int64   WordType = "int64"
	Float32 WordType = "float32"
	Float64 WordType = "float64"
)

// WordTypes lists all types.
func WordTypes() []WordType {
	return []WordType{Uint16, Int16, Uint32, Int32, Uint48, Int48, Uint64, Int64, Float32, Float64}
}

// Unsigned says whether the type is a whole number of 0 or more.
func (t WordType) Unsigned() bool {
	return t == Uint16 || t == Uint32 || t == Uint48 || t == Uint64
}

// Signed says whether the type is a whole number that may be negative.
func (t WordType) Signed() bool {
	return t == Int16 || t == Int32 || t == Int48 || t == Int64
}

// Words is the number of 16-bit registers of a type; 0 for an unknown type.
func (t WordType) Words() uint16 {
	switch t {
	case Uint16, Int16:
		return 1
	case Uint32, Int32, Float32:
		return 2
	case Uint48, Int48:
		return 3
	case Uint64, Int64, Float64:
		return 4
	default:
		return 0
	}
}

// Bus is one physical Modbus endpoint with everything on it.
type Bus struct {
	ID BusID
	// URL: tcp://host:port, rtuovertcp://host:port or rtu:///dev/ttyUSB0.
	URL      string
	Speed    uint          // baud, serial and RTU-over-TCP
	DataBits uint          // 7 or 8
	Parity   string        // none, even or odd
	StopBits uint          // 1 or 2
	Timeout  time.Duration // for one request
	// Quiet is how long the line is left alone after an error before it is
	// opened again, so that a late answer dies out.
	Quiet  time.Duration
	Meters []Meter
}

// Meter is one power meter on a bus.
type Meter struct {
	ID      MeterID
	Bus     BusID
	Unit    uint8 // Modbus unit id
	Profile Profile
	Period  time.Duration
	Retries int
	// Ratios are the factors of current and voltage transformers by date, oldest
	// first; see Rules.Ratios. Empty means 1.
	Ratios []Ratio
	// Multiplier is the factor in force when the configuration was read, as an
	// exact decimal, on momentary power and current; empty means 1.
	Multiplier string
	// MaxPower is the rated power behind the meter in watts, the limit of
	// plausibility.
	MaxPower float64
	MaxGap   time.Duration
	Backstep int64 // mWh taken for noise
	Station  StationID
	Press    PressID
	Accuracy Accuracy
}

// Accuracy is how exactly a meter measures, as its plate and that of its current
// transformers say. Without a Class nothing is stated.
type Accuracy struct {
	// Class of the meter for active energy: 0.2S, 0.5S, 1 or 2.
	Class string
	// Amperes is what loads are compared with: the rated primary current of the
	// transformers, or the reference current of a meter without any.
	Amperes float64
	// Transformers is the accuracy class of the current transformers; empty for a
	// meter that is connected directly.
	Transformers string
	// Independent is how many transformers have errors of their own and share the
	// load evenly; 1 takes their errors for one and the same, which is the wider.
	Independent int
	Volts       float64 // of the conductors against each other, or against neutral with one phase
	Phases      int     // 1 or 3
	PowerFactor float64 // of the load; 0 when not stated
}

// Topic maps the messages of one MQTT topic pattern to facts.
type Topic struct {
	// Pattern is a topic filter with named parts, for example
	// "alder/{press}/{n}/status".
	Pattern string
	// Station is a template over the named parts that gives the station's
	// name, for example "{press}-{n}"; empty when the messages are of a press.
	Station string
	// Press is the template for the press's name of press messages.
	Press string
	// Paths into the JSON document, dotted: "counters.lit_s". Empty means not
	// offered.
	State, Instant, Technology, Boot, Sequence, LitSeconds, Starts string
	// InstantFormat: rfc3339, unix_seconds or unix_millis.
	InstantFormat string
	// StateWords gives the state that each word of the document means.
	StateWords map[string]State
	// TechnologyWords likewise; empty means the technology's own words.
	TechnologyWords map[string]Technology
	// WillWords are payloads (whole text) or state words that mean that the
	// station is gone: state unknown.
	WillWords []string
	// Signals maps signal names to paths.
	Signals map[string]string
	// Counters maps press registers (value name) to what they count.
	Counters map[string]TopicCounter
}

// TopicCounter is a cumulative counter in a press message.
type TopicCounter struct {
	Path     string
	Quantity Quantity
	// Scale is an exact decimal: register units = counter × Scale.
	Scale string
}
