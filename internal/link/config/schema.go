package config

import (
	"time"

	"curetally/internal/core/plant"
	"curetally/internal/core/regression"
	"curetally/internal/link/config/beforeafter"
	"curetally/internal/link/config/profiles"
	"curetally/internal/link/config/rules"
	"curetally/internal/link/config/shifts"
	"curetally/internal/link/config/strictyaml"
	"curetally/internal/link/config/terms"
	"curetally/internal/link/config/topics"
)

// file is the configuration as written.
type file struct {
	Site      siteSpec        `yaml:"site,required"`
	Listen    string          `yaml:"listen"`
	Web       webSpec         `yaml:"web"`
	DataDir   string          `yaml:"data_dir"`
	Database  databaseSpec    `yaml:"database"`
	Spool     spoolSpec       `yaml:"spool"`
	Broker    brokerSpec      `yaml:"broker"`
	Topics    []topics.Spec   `yaml:"topics"`
	Buses     []busSpec       `yaml:"buses"`
	Profiles  []profiles.Spec `yaml:"profiles"`
	Meters    []meterSpec     `yaml:"meters,required"`
	Presses   []pressSpec     `yaml:"presses,required"`
	LampKinds []rules.Kind    `yaml:"lamp_kinds"`
	Rules     []rules.Spec    `yaml:"rules"`
	Upkeep    upkeepSpec      `yaml:"upkeep"`
	Savings   []projectSpec   `yaml:"savings"`
	Notify    notifySpec      `yaml:"notify"`
	terms.Spec
}

func (f *file) SetDefaults() {
	f.Listen, f.DataDir = DefaultListen, "curetally-data"
	f.Site.SetDefaults()
	f.Spec.SetDefaults()
	f.Upkeep.SetDefaults()
	f.Broker.KeepAlive = 30 * time.Second
	f.Spool = spoolSpec{MaxMegabytes: 2000, MaxAge: 60 * 24 * time.Hour}
	f.Notify.SetDefaults()
	f.Rules = []rules.Spec{{Include: "default"}}
}

type siteSpec struct {
	Name       string        `yaml:"name,required"`
	TimeZone   string        `yaml:"time_zone,required"`
	Interval   time.Duration `yaml:"interval"`
	ClockLimit time.Duration `yaml:"clock_limit"`
	WorkDays   workDays      `yaml:"work_days"`
	Holidays   []date        `yaml:"holidays"`
	Calendar   shifts.Spec   `yaml:"calendar"`
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

type spoolSpec struct {
	MaxMegabytes int           `yaml:"max_megabytes"` // 10^6 bytes
	MaxAge       time.Duration `yaml:"max_age"`
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
	Name          string        `yaml:"name,required"`
	Bus           string        `yaml:"bus"`
	URL           string        `yaml:"url"`
	Unit          uint8         `yaml:"unit"`
	Profile       string        `yaml:"profile,required"`
	AddressOffset int           `yaml:"address_offset"`
	Period        time.Duration `yaml:"period"`
	Retries       int           `yaml:"retries"`
	Multiplier    []ratioSpec   `yaml:"multiplier"`
	MaxPower      power         `yaml:"max_power,required"`
	MaxGap        time.Duration `yaml:"max_gap"`
	Resolution    energy        `yaml:"resolution"`
	Backstep      *energy       `yaml:"backstep"`
	Station       string        `yaml:"station"`
	Press         string        `yaml:"press"`
	Accuracy      *accuracySpec `yaml:"accuracy"`
	CheckMeter    string        `yaml:"check_meter"`
}

// ratioSpec is the factor of transformers from a date on; a plain number holds
// from the beginning.
type ratioSpec struct {
	From moment             `yaml:"from"`
	Is   strictyaml.Decimal `yaml:"is,required,scalar"`
}

func (m *meterSpec) SetDefaults() {
	m.Unit, m.Period, m.Retries, m.MaxGap = 1, 10*time.Second, 1, defaultMaxGap
}

// defaultMaxGap is how far two readings may be apart and still count as measured.
const defaultMaxGap = 30 * time.Minute

type pressSpec struct {
	Name     string        `yaml:"name,required"`
	Title    string        `yaml:"title"`
	Calendar shifts.Spec   `yaml:"calendar"`
	Stations []stationSpec `yaml:"stations,required"`
	Loops    []loopSpec    `yaml:"loops"`
}

// loopSpec is a cooling loop or an exhaust that stations share.
type loopSpec struct {
	Name      string   `yaml:"name,required"`
	Title     string   `yaml:"title"`
	Carries   string   `yaml:"carries"`
	Stations  []string `yaml:"stations"`
	SignalsOf string   `yaml:"signals_of"`
}

func (l *loopSpec) SetDefaults() { l.Carries = "coolant" }

type stationSpec struct {
	Name       string           `yaml:"name,required"`
	Title      string           `yaml:"title"`
	Technology []technologySpec `yaml:"technology,required"`
	Silence    time.Duration    `yaml:"silence"`
	Counters   bool             `yaml:"counters"`
	Metered    bool             `yaml:"metered"`
	LampKind   string           `yaml:"lamp_kind"`
	HourMeter  string           `yaml:"hour_meter"`
	LitPower   power            `yaml:"lit_power"`
	Irradiance string           `yaml:"irradiance_sensor"`
	Drive      string           `yaml:"drive_signal"`
	HeadTemp   string           `yaml:"temperature_signal"`
}

func (s *stationSpec) SetDefaults() { s.Silence, s.Counters, s.Metered = 2*time.Minute, true, true }

type technologySpec struct {
	From moment `yaml:"from"`
	Is   string `yaml:"is,required,scalar"`
}

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
	terms.ProjectSpec
	// EstimatedLimit is a share, 0 to 1.
	EstimatedLimit float64            `yaml:"estimated_limit"`
	Model          string             `yaml:"model"`
	Granularity    string             `yaml:"granularity"`
	Limits         limitsSpec         `yaml:"limits"`
	Conversion     date               `yaml:"conversion"`
	ExpectedYear   []spanSpec         `yaml:"expected_year"`
	ExpectedDays   []normalSpec       `yaml:"expected_days"`
	Factors        []factorSpec       `yaml:"static_factors"`
	Plan           planSpec           `yaml:"plan"`
	BeforeAfter    []beforeafter.Spec `yaml:"before_after"`
}

// limitsSpec are the limits by which a baseline model is accepted.
type limitsSpec struct {
	CVRMSE float64 `yaml:"cv_rmse"`
	NMBE   float64 `yaml:"nmbe"`
	R2     float64 `yaml:"r2"`
	T      float64 `yaml:"t"`
	Rows   int     `yaml:"rows"`
}

func (l *limitsSpec) SetDefaults() {
	u := regression.UsualLimits()
	*l = limitsSpec{u.CVRMSE, u.NMBE, u.R2, u.T, u.Rows}
}

// spanSpec is what a driver will go through per day in the year to come.
type spanSpec struct {
	Driver plant.Driver `yaml:"driver,required"`
	Low    float64      `yaml:"low"`
	High   float64      `yaml:"high,required"`
	Mean   *float64     `yaml:"mean"`
}

// normalSpec is a kind of day of the year to come: how many there are, and the
// drivers of one.
type normalSpec struct {
	Days    float64            `yaml:"days,required"`
	Drivers map[string]float64 `yaml:"drivers,required"`
}

type factorSpec struct {
	Name  string `yaml:"name,required"`
	Value string `yaml:"value,required"`
	From  date   `yaml:"from"`
}

func (p *projectSpec) SetDefaults() {
	p.EstimatedLimit = 0.05
	p.Confidence, p.Model, p.Granularity = 0.90, string(regression.Linear), string(plant.Daily)
	p.Limits.SetDefaults()
	p.Drivers = []plant.Driver{plant.DriverCuringHours, plant.DriverStandbyHours}
}

type selectionSpec struct {
	From       date   `yaml:"from"`
	To         date   `yaml:"to"`
	Technology string `yaml:"technology"`
}
