package event

// The facts of the log, past tense. Each is a plain value; empty strings and
// zeros mean "not said". A fact never refers to a person's identity, only to a
// random patient reference. Numbers in proto/event/v1 belong to these names for ever.

// RequestPlaced says what was ordered for a patient.
type RequestPlaced struct {
	Patient       string   // random patient reference, never the number itself
	Tests         []string // assay codes
	Priority      string   // routine, urgent or as the laboratory names it
	Conditions    []string // condition=yes or condition=no; absent is not stated
	Destination   string   // place that will test
	Irreplaceable bool     // material that can't be drawn again
}

// RequestCancelled withdraws a whole request.
type RequestCancelled struct {
	Reason string     // word of the reason list
	Note   Ciphertext // free text under the patient's key
}

// TestAdded adds one test to a request.
type TestAdded struct {
	Test string // assay code
}

// TestWithdrawn withdraws one test of a request.
type TestWithdrawn struct {
	Test string // assay code
}

// TubeAssigned names a tube that shall carry tests of the request.
type TubeAssigned struct {
	Tube  Key      // the tube
	Type  string   // tube type code
	Tests []string // assay codes
}

// DrawStarted opens one puncture of one patient.
type DrawStarted struct {
	Patient string   // random patient reference
	Site    string   // body site code
	Method  string   // needle, winged, catheter, line or capillary
	Checks  []string // checks that were made
	Meant   string   // reference of the row of a work list it was begun from; it identifies nobody
}

// CollectionFailed says that no blood was obtained.
type CollectionFailed struct {
	Patient string     // random patient reference
	Reason  string     // word of the reason list
	Note    Ciphertext // free text under the patient's key
}

// IdentityMismatch counts a near miss: the label belongs to somebody else than the band.
type IdentityMismatch struct {
	Tube     Key    // label that was scanned
	Patient  string // reference on the band
	Expected string // reference the label was made for
}

// DrawEnded closes the puncture after care.
type DrawEnded struct {
	AfterCare    string     // what was done
	AdverseEvent string     // what went wrong, empty for nothing
	Note         Ciphertext // free text under the patient's key
}

// RecollectionAsked asks for a new sample, once per draw.
type RecollectionAsked struct {
	Tubes  []Key      // tubes it stands for
	Tests  []string   // assay codes
	Reason string     // word of the reason list
	Note   Ciphertext // free text under the patient's key
}

// RecollectionDeclined answers that no new sample will be drawn.
type RecollectionDeclined struct {
	Reason string     // word of the reason list
	Note   Ciphertext // free text under the patient's key
}

// RecollectionDone names the draw that replaced the asked one.
type RecollectionDone struct {
	NewDraw Key // the new draw
}

// TubePrepared makes a label known before collection.
type TubePrepared struct {
	Type    string   // tube type code
	Patient string   // random patient reference
	Request Key      // request it belongs to
	Tests   []string // assay codes
}

// Collected says that blood entered the tube.
type Collected struct {
	Type     string   // tube type code, empty when not said
	Patient  string   // random patient reference
	Draw     Key      // puncture it came from
	Request  Key      // request it belongs to
	Tests    []string // assay codes said at the bedside
	VolumeUl int64    // microlitres, 0 when not said
	Lot      string   // of the empty tube, empty when not said
	Expiry   string   // date until which its maker answers for it, as on the pack; empty when not said
}

// Packed puts a tube or a carrier into a carrier.
type Packed struct {
	Carrier Key // what it went into
}

// Unpacked takes a tube or a carrier out of a carrier.
type Unpacked struct {
	Carrier Key // what it came out of; empty means whatever held it
}

// Released gives up custody.
type Released struct {
	To    string // person or place it was left for, empty when not said
	Mode  string // walk, pneumatic-tube, van, ferry or drone
	Count int64  // tubes that were counted inside a carrier, 0 when not said
	Seal  string // number read from a carrier's seal, empty when not said
}

// TakenOver takes custody.
type TakenOver struct {
	From      string // person or place it was taken from, empty when not said
	Mode      string // walk, pneumatic-tube, van, ferry or drone
	Count     int64  // tubes that were counted inside a carrier, 0 when not said
	Seal      string // number read from a carrier's seal, empty when not said
	Condition string // HL7 table 0544 code
}

// Seen says that it was here, with no change of custody.
type Seen struct{}

// Destined names the laboratory it shall reach.
type Destined struct {
	Place string // place
}

// Redirected changes the laboratory it shall reach.
type Redirected struct {
	Place string // place
}

// Received takes custody for the laboratory's reception.
type Received struct {
	From      string // person or place it came from, empty when not said
	Condition string // HL7 table 0544 code
	Type      string // tube type seen, empty when not said
	Carrier   Key    // what it was taken out of, empty when not said
}

// AcceptedForTesting accepts the tube at the bench.
type AcceptedForTesting struct{}

// AcceptedWithDeviation accepts a tube that is outside policy.
type AcceptedWithDeviation struct {
	Authoriser string     // person
	Reason     string     // word of the reason list
	ReportText string     // comment code for the report
	Note       Ciphertext // free text under the patient's key
}

// Rejected refuses the tube for testing.
type Rejected struct {
	Reason string     // HL7 table 0490 code or word of the reason list
	Note   Ciphertext // free text under the patient's key
}

// DefectNoted records what a person saw.
type DefectNoted struct {
	Defect string     // word of the reason list
	Note   Ciphertext // free text under the patient's key
}

// HandlingAttested is a person's word for how the tube was kept.
type HandlingAttested struct {
	Handling string  // on-ice, in-foil, flask-37 or upright
	From     Instant // start
	Until    Instant // end, 0 while it lasts
}

// SpinStarted starts the centrifuge.
type SpinStarted struct {
	Load      Key    // spin load, empty when not said
	Programme string // name of the programme
	G         int64  // relative centrifugal force, 0 when not said
	Minutes   int64  // planned duration, 0 when not said
}

// SpinEnded ends the centrifuge run.
type SpinEnded struct {
	Load Key // spin load, empty when not said
}

// SpinFailed ends a run that doesn't count.
type SpinFailed struct {
	Load   Key    // spin load, empty when not said
	Reason string // word of the reason list
}

// Opened opens the tube.
type Opened struct{}

// Measured ends what the tube was for.
type Measured struct {
	What  string   // measured, set-up, tested or transfused
	Tests []string // assay codes, empty means all
}

// FilmMade makes the blood film.
type FilmMade struct{}

// IncubationStarted starts the incubation.
type IncubationStarted struct {
	Tests []string // assay codes, empty means all
}

// IncubationEnded ends the incubation.
type IncubationEnded struct {
	Tests []string // assay codes, empty means all
}

// Frozen freezes the material.
type Frozen struct{}

// Thawed thaws the material.
type Thawed struct{}

// Stored puts the tube into a store.
type Stored struct {
	Place string // the store
}

// Retrieved takes the tube out of a store.
type Retrieved struct {
	Place string // the store, empty when not said
}

// Referred sends the tube to another laboratory.
type Referred struct {
	To  string  // laboratory
	Due Instant // expected return, 0 for none
}

// Disposed ends the tube's life.
type Disposed struct {
	Reason string     // word of the reason list
	Note   Ciphertext // free text under the patient's key
}

// DerivedFrom is the first fact of an aliquot, on the child.
type DerivedFrom struct {
	Parent Key      // tube it came from
	Type   string   // tube type of the child
	Tests  []string // assay codes
}

// SameMaterialAs is the first fact of a new label on known material.
type SameMaterialAs struct {
	Tube   Key        // the earlier number
	Reason string     // word of the reason list, empty when not said
	Note   Ciphertext // free text under the patient's key
}

// Reidentified corrects whom the tube belongs to. What was told before stays in the log.
type Reidentified struct {
	Patient string     // random patient reference
	Request Key        // request it belongs to then, empty when not said
	Reason  string     // word of the reason list
	Note    Ciphertext // free text under the patient's key
}

// SplitInto ends a number that two tubes shared.
type SplitInto struct {
	Tubes []Key // the numbers they have now
}

// ResultIssued says that a result left the laboratory.
type ResultIssued struct {
	Tests []string // assay codes
}

// DeclaredLost is a person's word that the search ended.
type DeclaredLost struct {
	Reason string     // word of the reason list
	Note   Ciphertext // free text under the patient's key
}

// Found takes a loss back.
type Found struct{}

// FlagRaised opens an episode of the tube's one flag. Leader only.
type FlagRaised struct {
	Flag Flag // what it says
}

// FlagChanged updates the open episode in place. Leader only.
type FlagChanged struct {
	Flag Flag // what it says now
}

// FlagCleared closes the episode. Leader only.
type FlagCleared struct {
	Episode int64  // the episode it closes
	Reason  string // why it was cleared
}

// FlagTaken says who looks after it.
type FlagTaken struct {
	Episode int64 // the episode it answers
}

// FlagOverridden lets the tube pass in spite of its flag.
type FlagOverridden struct {
	Episode int64      // the episode it answers, 0 when none was open
	Reason  string     // word of the reason list
	Note    Ciphertext // free text under the patient's key
}

// FlagActed says what was done.
type FlagActed struct {
	Episode int64  // the episode it answers
	Action  string // word of the action list
}

// FlagPutAside hides the flag for a while.
type FlagPutAside struct {
	Episode int64   // the episode it answers
	Until   Instant // when it comes back
	Reason  string  // word of the reason list
}

// Sealed closes a carrier.
type Sealed struct {
	Seal  string // number of the seal
	Count int64  // tubes that were counted inside, 0 when not said
}

// SealBroken opens a carrier.
type SealBroken struct {
	Seal string // number found, empty when not said
}

// Departed starts a leg.
type Departed struct {
	Mode  string // walk, pneumatic-tube, van, ferry or drone
	Route Key    // timetable it runs on, empty when none
	To    string // place it goes to, empty when not said
}

// Arrived ends a leg at the place of the envelope.
type Arrived struct{}

// Emptied says that nothing is left inside.
type Emptied struct {
	Count int64 // tubes that were taken out, 0 when not said
}

// LoggerAttached puts a logger on a carrier or a place.
type LoggerAttached struct {
	To     Key    // carrier or place
	ToKind string // carrier or place
}

// LoggerDetached takes a logger off.
type LoggerDetached struct{}

// LoggerCalibrated states what a calibration found.
type LoggerCalibrated struct {
	UncertaintyCenti int64   // expanded uncertainty in 0.01 degrees C
	Due              Instant // next calibration, 0 for none
}

// LoggerFileImported says that a logger's file was read into the log, and how it
// was understood. Voiding it takes back its readings.
type LoggerFileImported struct {
	Hash    string // SHA-256 of the file, hex
	File    string // its name
	Mapping []byte // how the logger's files are read, as JSON, remembered for the next one
	Import  string // of the runs of readings that came of it
	Values  int64  // readings with a value
	Faults  int64  // readings without one
	First   Instant
	Last    Instant
	Zone    string    // IANA name or offset by which its times were read
	Sync    []Instant // sightings of the logger's clock beside a true one: logger, true, logger, true
}

// Voided takes a step back. The step stays readable.
type Voided struct {
	Scan   string     // id of the decision it voids
	Reason string     // word of the reason list
	Note   Ciphertext // free text under the patient's key
}

// DoubtRaised names two facts that can't both be right, or a gap.
type DoubtRaised struct {
	ID     string   // hash of doubt and fact ids
	Doubt  string   // word of the doubt list
	Causes []string // ids of the decisions it rests on
}

// DoubtClosed ends a doubt.
type DoubtClosed struct {
	ID     string     // the doubt
	By     string     // facts or person
	Reason string     // word of the reason list
	Note   Ciphertext // free text under the patient's key
}

// ClockMeasured states how far a device's clock was off.
type ClockMeasured struct {
	OffsetMs      int64 // device minus true, milliseconds
	UncertaintyMs int64 // half width, milliseconds
}

// RulesAdopted puts a rule set in force.
type RulesAdopted struct {
	Hash     string  // SHA-256 of the bytes, hex
	Bytes    []byte  // the rule file
	InForce  Instant // from when
	InFlight bool    // also for tubes already drawn
	Name     string  // name of the set
	Version  int64   // version of the set
	Second   string  // second person who read it before, empty for none
	Reason   string  // why it is adopted; it speaks of limits, never of a patient
}
