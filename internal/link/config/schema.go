package config

import (
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/link/config/profiles"
	"curetally/internal/link/config/strictyaml"
)

// file is the configuration as written.
type file struct {
	Site      siteSpec        `yaml:"site,required"`
	Listen    string          `yaml:"listen"`
	DataDir   string          `yaml:"data_dir"`
	Database  databaseSpec    `yaml:"database"`
	Broker    brokerSpec      `yaml:"broker"`
	Topics    []topicSpec     `yaml:"topics"`
	Buses     []busSpec       `yaml:"buses"`
	Profiles  []profiles.Spec `yaml:"profiles"`
	Meters    []meterSpec     `yaml:"meters,required"`
	Presses   []pressSpec     `yaml:"presses,required"`
	LampKinds []lampKindSpec  `yaml:"lamp_kinds"`
	Rules     []ruleSpec      `yaml:"rules"`
	Savings   []projectSpec   `yaml:"savings"`
}

func (f *file) SetDefaults() {
	f.Listen, f.DataDir = DefaultListen, "curetally-data"
	f.Site.SetDefaults()
	f.Broker.KeepAlive = 30 * time.Second
	f.Rules = []ruleSpec{{Include: "default"}}
}

type siteSpec struct {
	Name       string        `yaml:"name,required"`
	TimeZone   string        `yaml:"time_zone,required"`
	Interval   time.Duration `yaml:"interval"`
	ClockLimit time.Duration `yaml:"clock_limit"`
	WorkDays   workDays      `yaml:"work_days"`
	Holidays   []date        `yaml:"holidays"`
}

func (s *siteSpec) SetDefaults() {
	s.Interval, s.ClockLimit = 15*time.Minute, 2*time.Minute
	s.WorkDays = workDays{false, true, true, true, true, true, false}
}

type databaseSpec struct {
	URL     Secret `yaml:"url"`
	URLFile string `yaml:"url_file"`
	BinDir  string `yaml:"bin_dir"`
	RunAs   string `yaml:"run_as"`
}

type brokerSpec struct {
	URL          string        `yaml:"url"`
	ClientID     string        `yaml:"client_id"`
	Username     string        `yaml:"username"`
	Password     Secret        `yaml:"password"`
	PasswordFile string        `yaml:"password_file"`
	CAFile       string        `yaml:"ca_file"`
	CertFile     string        `yaml:"cert_file"`
	KeyFile      string        `yaml:"key_file"`
	KeepAlive    time.Duration `yaml:"keep_alive"`
}

type topicSpec struct {
	Pattern       string                 `yaml:"pattern,required"`
	Station       string                 `yaml:"station"`
	Press         string                 `yaml:"press"`
	State         string                 `yaml:"state"`
	Instant       string                 `yaml:"instant"`
	InstantFormat string                 `yaml:"instant_format"`
	Technology    string                 `yaml:"technology"`
	Boot          string                 `yaml:"boot"`
	Sequence      string                 `yaml:"sequence"`
	LitSeconds    string                 `yaml:"lit_seconds"`
	Starts        string                 `yaml:"starts"`
	States        map[string]string      `yaml:"states"`
	Technologies  map[string]string      `yaml:"technologies"`
	Will          []string               `yaml:"will"`
	Signals       map[string]string      `yaml:"signals"`
	Counters      map[string]counterSpec `yaml:"counters"`
}

func (t *topicSpec) SetDefaults() { t.InstantFormat = "rfc3339" }

type counterSpec struct {
	Path       string             `yaml:"path,required"`
	Unit       string             `yaml:"unit,required"`
	Scale      strictyaml.Decimal `yaml:"scale"`
	MaxPerHour float64            `yaml:"max_per_hour"` // in the unit
	Modulus    uint64             `yaml:"modulus"`      // in counts
}

type busSpec struct {
	Name     string         `yaml:"name,required"`
	URL      string         `yaml:"url,required"`
	Speed    *uint          `yaml:"speed"`
	Parity   *string        `yaml:"parity"`
	DataBits *uint          `yaml:"data_bits"`
	StopBits *uint          `yaml:"stop_bits"`
	Timeout  time.Duration  `yaml:"timeout"`
	Quiet    *time.Duration `yaml:"quiet"`
}

func (s *busSpec) SetDefaults() { s.Timeout = time.Second }

type meterSpec struct {
	Name          string             `yaml:"name,required"`
	Bus           string             `yaml:"bus"`
	URL           string             `yaml:"url"`
	Unit          uint8              `yaml:"unit"`
	Profile       string             `yaml:"profile,required"`
	AddressOffset int                `yaml:"address_offset"`
	Period        time.Duration      `yaml:"period"`
	Retries       int                `yaml:"retries"`
	Multiplier    strictyaml.Decimal `yaml:"multiplier"`
	MaxPower      power              `yaml:"max_power,required"`
	MaxGap        time.Duration      `yaml:"max_gap"`
	Resolution    energy             `yaml:"resolution"`
	Backstep      *energy            `yaml:"backstep"`
	Station       string             `yaml:"station"`
	Press         string             `yaml:"press"`
}

func (m *meterSpec) SetDefaults() {
	m.Unit, m.Period, m.Retries, m.MaxGap = 1, 10*time.Second, 1, defaultMaxGap
}

// defaultMaxGap is how far two readings may be apart and still count as measured.
const defaultMaxGap = 30 * time.Minute

type pressSpec struct {
	Name     string        `yaml:"name,required"`
	Title    string        `yaml:"title"`
	Stations []stationSpec `yaml:"stations,required"`
}

type stationSpec struct {
	Name       string           `yaml:"name,required"`
	Title      string           `yaml:"title"`
	Technology []technologySpec `yaml:"technology,required"`
	Silence    time.Duration    `yaml:"silence"`
	Counters   bool             `yaml:"counters"`
	Metered    bool             `yaml:"metered"`
	LampKind   string           `yaml:"lamp_kind"`
}

func (s *stationSpec) SetDefaults() { s.Silence, s.Counters, s.Metered = 2*time.Minute, true, true }

type technologySpec struct {
	From moment `yaml:"from"`
	Is   string `yaml:"is,required,scalar"`
}

type lampKindSpec struct {
	Name          string  `yaml:"name,required"`
	Title         string  `yaml:"title"`
	Technology    string  `yaml:"technology,required"`
	RatedHours    float64 `yaml:"rated_hours,required"`
	HoursPerStart float64 `yaml:"hours_per_start"`
}

// ruleSet is a file of rules, ready-made or the plant's own.
type ruleSet struct {
	LampKinds []lampKindSpec `yaml:"lamp_kinds"`
	Rules     []ruleSpec     `yaml:"rules"`
}

type ruleSpec struct {
	// Include names a ready-made set or a file, instead of all else.
	Include      string   `yaml:"include,scalar"`
	Name         string   `yaml:"name"`
	Title        string   `yaml:"title"`
	Scope        string   `yaml:"scope"`
	Technology   string   `yaml:"technology"`
	LitHours     float64  `yaml:"lit_hours"`
	LifeFraction float64  `yaml:"life_fraction"`
	Starts       int64    `yaml:"starts"`
	Days         int      `yaml:"days"`
	Lead         int      `yaml:"lead"`
	Grace        int      `yaml:"grace"`
	Minutes      int      `yaml:"minutes"`
	Parts        []string `yaml:"parts"`
	Cautions     []string `yaml:"cautions"`
}

func (r *ruleSpec) SetDefaults() { r.Scope, r.Lead, r.Grace = string(plant.PerStation), 7, 3 }

type projectSpec struct {
	Name         string         `yaml:"name,required"`
	Title        string         `yaml:"title"`
	Press        string         `yaml:"press"`
	Boundary     []string       `yaml:"boundary"`
	Drivers      []plant.Driver `yaml:"drivers"`
	Baseline     selectionSpec  `yaml:"baseline,required"`
	Reporting    selectionSpec  `yaml:"reporting,required"`
	Confidence   float64        `yaml:"confidence"`
	Price        price          `yaml:"price"`
	Carbon       float64        `yaml:"carbon"`
	CarbonSource string         `yaml:"carbon_source"`
}

func (p *projectSpec) SetDefaults() {
	p.Confidence = 0.90
	p.Drivers = []plant.Driver{plant.DriverCuringHours, plant.DriverStandbyHours}
}

type selectionSpec struct {
	From       date   `yaml:"from"`
	To         date   `yaml:"to"`
	Technology string `yaml:"technology"`
}
