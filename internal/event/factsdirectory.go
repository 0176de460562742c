package event

// The facts by which the house is described. They stand in the log too, so that a
// changed assumption leaves a trace.

// PlaceDescribed declares a place.
type PlaceDescribed struct {
	Name         string  // shown name
	PlaceKind    string  // ward, home, clinic, hatch, vehicle, reception, bench, centrifuge or store
	Zone         string  // IANA time zone
	Assumed      Range   // temperature assumed there
	Basis        string  // why the range is believed
	Owner        string  // who answers for it
	Review       Instant // when it must be looked at again, 0 for never
	BenchSpinMin int64   // accepted here counts as spun within so many minutes, 0 for no
	Relabel      bool    // a tube may get another number here, by two persons and with a reason

	Identify         []string // how patients are identified here, in the order tried: words of Identifyings; empty: by the band
	SecondPerson     bool     // identification needs two persons
	Spins            bool     // tubes are spun here before they leave
	MostDrawPermille int64    // most of a patient's blood that may be drawn in 24 hours, 0 when not said

	Rotor Rotor // of a centrifuge; the zero value elsewhere
}

// Rotor is what a centrifuge can do with the rotor that it has now.
type Rotor struct {
	Places     int64  // tubes of one run, 0 when not said
	RadiusMm   int64  // by which the house reckons force: at the tubes' bottom or their middle, as its programmes do
	MostPerMin int64  // turns per minute that it bears
	Holds      Range  // temperatures that it can hold; not Known: none
	At         string // bench or reception whose tubes it takes; empty: of every place
}

// How patients are identified.
const (
	ByBand      = "band"      // the number on a wristband
	ByStating   = "stated"    // name and birth date, stated by the patient
	ByTemporary = "temporary" // a number given in an emergency
)

// Identifyings lists the ways of identifying a patient.
func Identifyings() []string { return []string{ByBand, ByStating, ByTemporary} }

// CarrierDescribed declares a carrier.
type CarrierDescribed struct {
	CarrierKind string  // rack, bag, box or flask
	OwnClimate  bool    // takes no temperature from outside itself
	Assumed     Range   // temperature assumed inside
	Basis       string  // why the range is believed
	Owner       string  // who answers for it
	Review      Instant // when it must be looked at again, 0 for never
}

// PersonDescribed declares a person by staff code, never by name.
type PersonDescribed struct {
	Role   string   // everywhere: a word of Roles; empty for none
	Active bool     // may act
	Roles  []RoleAt // beside it, at single places
}

// RoleAt is a role that somebody has at one place.
type RoleAt struct {
	Role  string // a word of Roles
	Place string // as the directory spells it
}

// DeviceEnrolled declares a device.
type DeviceEnrolled struct {
	DeviceKind string // phone, cart, desk, wall or service
	Active     bool   // may act
	Place      string // where it belongs, empty for nowhere
	// KeyID and PublicKey are of the key that the device made for itself when it was
	// enrolled; empty when it has none. The key is an ECDSA key on P-256 in the form of
	// RFC 5280, SubjectPublicKeyInfo. What it signed stays provable after it is revoked.
	KeyID     string
	PublicKey []byte
}

// IdentityWritten says that a patient's identity was written or corrected. What it was
// stands in the identity store alone.
type IdentityWritten struct {
	Fields []string // which fields changed
	Reason string
	Note   Ciphertext
}

// IdentityMerged says that two references are one person.
type IdentityMerged struct {
	Into   string // the reference that stays
	Reason string
	Note   Ciphertext
}

// IdentityErased says that nobody can say any more who a reference was.
type IdentityErased struct {
	Reason string
}

// LoggerDescribed declares a temperature logger.
type LoggerDescribed struct {
	EveryMs  int64  // interval between readings
	HoldMs   int64  // how long a last value holds, -1 for the default
	MaxGapMs int64  // longest bridged gap, 0 for the default
	Zone     string // IANA zone or offset that its clock shows, empty when not said
}

// SchemesDeclared declares the site's number schemes, all of them: whether a label
// can be mistaken for another follows from the whole set. No schemes are a set too.
type SchemesDeclared struct {
	Schemes []NumberScheme
}

// SchemesKey is the one aggregate, of the kind rules, in which number schemes stand.
const SchemesKey = Key(Local + "-NUMBER-SCHEMES")

// NumberScheme says what a kind of number looks like. The words of Names, Check, Case,
// Zeros and In are those of the package label.
type NumberScheme struct {
	ID       string   // first part of every key of the scheme
	Issuer   string   // who gives out the numbers, in words
	Names    string   // what they identify
	Pattern  string   // # digit, @ letter, * either
	Check    string   // how the last character guards the others
	Case     string   // what small letters mean
	Zeros    string   // what leading zeros mean
	In       []string // where the number stands on a label
	Framed   bool     // counts only where a reader sent a symbology identifier, or typed
	Ward     bool     // wards give out the numbers each for itself
	TubeType bool     // the tube's type completes the number
	ReuseMs  int64    // after how long a number comes again, 0 for never
}

// ProgrammesDeclared declares the laboratory's spin programmes, all of them.
type ProgrammesDeclared struct {
	Programmes []SpinProgramme
}

// ProgrammesKey is the one aggregate, of the kind rules, in which spin programmes stand.
const ProgrammesKey = Key(Local + "-SPIN-PROGRAMMES")

// SpinProgramme says how tubes of some types are spun here.
type SpinProgramme struct {
	Name        string
	Tubes       []string // tube type codes
	G           int64    // relative centrifugal force, in g
	WithinG     int64    // so many g more or less will do as well
	Minutes     int64    // of the run
	HandlingMin int64    // minutes for loading and unloading beside it
	C           Range    // temperatures that will do; not Known: none is asked for
}

// RouteDescribed declares a timetable.
type RouteDescribed struct {
	From     string   // place
	To       string   // place
	Departs  []string // local times hh:mm
	TakesMin int64    // minutes on the way
	Zone     string   // IANA time zone of the departures
}
