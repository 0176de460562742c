package event

// Fact is one thing that happened. The set is closed: only this package has cases.
type Fact interface {
	// FactName is the fact's name in stories, the API and the log.
	FactName() string
}

// FactName implements Fact.
func (RequestPlaced) FactName() string { return "RequestPlaced" }

// FactName implements Fact.
func (RequestCancelled) FactName() string { return "RequestCancelled" }

// FactName implements Fact.
func (TestAdded) FactName() string { return "TestAdded" }

// FactName implements Fact.
func (TestWithdrawn) FactName() string { return "TestWithdrawn" }

// FactName implements Fact.
func (TubeAssigned) FactName() string { return "TubeAssigned" }

// FactName implements Fact.
func (DrawStarted) FactName() string { return "DrawStarted" }

// FactName implements Fact.
func (CollectionFailed) FactName() string { return "CollectionFailed" }

// FactName implements Fact.
func (IdentityMismatch) FactName() string { return "IdentityMismatch" }

// FactName implements Fact.
func (DrawEnded) FactName() string { return "DrawEnded" }

// FactName implements Fact.
func (RecollectionAsked) FactName() string { return "RecollectionAsked" }

// FactName implements Fact.
func (RecollectionDeclined) FactName() string { return "RecollectionDeclined" }

// FactName implements Fact.
func (RecollectionDone) FactName() string { return "RecollectionDone" }

// FactName implements Fact.
func (TubePrepared) FactName() string { return "TubePrepared" }

// FactName implements Fact.
func (Collected) FactName() string { return "Collected" }

// FactName implements Fact.
func (Packed) FactName() string { return "Packed" }

// FactName implements Fact.
func (Unpacked) FactName() string { return "Unpacked" }

// FactName implements Fact.
func (Released) FactName() string { return "Released" }

// FactName implements Fact.
func (TakenOver) FactName() string { return "TakenOver" }

// FactName implements Fact.
func (Seen) FactName() string { return "Seen" }

// FactName implements Fact.
func (Destined) FactName() string { return "Destined" }

// FactName implements Fact.
func (Redirected) FactName() string { return "Redirected" }

// FactName implements Fact.
func (Received) FactName() string { return "Received" }

// FactName implements Fact.
func (AcceptedForTesting) FactName() string { return "AcceptedForTesting" }

// FactName implements Fact.
func (AcceptedWithDeviation) FactName() string { return "AcceptedWithDeviation" }

// FactName implements Fact.
func (Rejected) FactName() string { return "Rejected" }

// FactName implements Fact.
func (DefectNoted) FactName() string { return "DefectNoted" }

// FactName implements Fact.
func (HandlingAttested) FactName() string { return "HandlingAttested" }

// FactName implements Fact.
func (SpinStarted) FactName() string { return "SpinStarted" }

// FactName implements Fact.
func (SpinEnded) FactName() string { return "SpinEnded" }

// FactName implements Fact.
func (SpinFailed) FactName() string { return "SpinFailed" }

// FactName implements Fact.
func (Opened) FactName() string { return "Opened" }

// FactName implements Fact.
func (Measured) FactName() string { return "Measured" }

// FactName implements Fact.
func (FilmMade) FactName() string { return "FilmMade" }

// FactName implements Fact.
func (IncubationStarted) FactName() string { return "IncubationStarted" }

// FactName implements Fact.
func (IncubationEnded) FactName() string { return "IncubationEnded" }

// FactName implements Fact.
func (Frozen) FactName() string { return "Frozen" }

// FactName implements Fact.
func (Thawed) FactName() string { return "Thawed" }

// FactName implements Fact.
func (Stored) FactName() string { return "Stored" }

// FactName implements Fact.
func (Retrieved) FactName() string { return "Retrieved" }

// FactName implements Fact.
func (Referred) FactName() string { return "Referred" }

// FactName implements Fact.
func (Disposed) FactName() string { return "Disposed" }

// FactName implements Fact.
func (DerivedFrom) FactName() string { return "DerivedFrom" }

// FactName implements Fact.
func (SameMaterialAs) FactName() string { return "SameMaterialAs" }

// FactName implements Fact.
func (Reidentified) FactName() string { return "Reidentified" }

// FactName implements Fact.
func (SplitInto) FactName() string { return "SplitInto" }

// FactName implements Fact.
func (ResultIssued) FactName() string { return "ResultIssued" }

// FactName implements Fact.
func (DeclaredLost) FactName() string { return "DeclaredLost" }

// FactName implements Fact.
func (Found) FactName() string { return "Found" }

// FactName implements Fact.
func (FlagRaised) FactName() string { return "FlagRaised" }

// FactName implements Fact.
func (FlagChanged) FactName() string { return "FlagChanged" }

// FactName implements Fact.
func (FlagCleared) FactName() string { return "FlagCleared" }

// FactName implements Fact.
func (FlagTaken) FactName() string { return "FlagTaken" }

// FactName implements Fact.
func (FlagOverridden) FactName() string { return "FlagOverridden" }

// FactName implements Fact.
func (FlagActed) FactName() string { return "FlagActed" }

// FactName implements Fact.
func (FlagPutAside) FactName() string { return "FlagPutAside" }

// FactName implements Fact.
func (Sealed) FactName() string { return "Sealed" }

// FactName implements Fact.
func (SealBroken) FactName() string { return "SealBroken" }

// FactName implements Fact.
func (Departed) FactName() string { return "Departed" }

// FactName implements Fact.
func (Arrived) FactName() string { return "Arrived" }

// FactName implements Fact.
func (Emptied) FactName() string { return "Emptied" }

// FactName implements Fact.
func (LoggerAttached) FactName() string { return "LoggerAttached" }

// FactName implements Fact.
func (LoggerDetached) FactName() string { return "LoggerDetached" }

// FactName implements Fact.
func (LoggerCalibrated) FactName() string { return "LoggerCalibrated" }

// FactName implements Fact.
func (LoggerFileImported) FactName() string { return "LoggerFileImported" }

// FactName implements Fact.
func (Voided) FactName() string { return "Voided" }

// FactName implements Fact.
func (DoubtRaised) FactName() string { return "DoubtRaised" }

// FactName implements Fact.
func (DoubtClosed) FactName() string { return "DoubtClosed" }

// FactName implements Fact.
func (ClockMeasured) FactName() string { return "ClockMeasured" }

// FactName implements Fact.
func (PlaceDescribed) FactName() string { return "PlaceDescribed" }

// FactName implements Fact.
func (CarrierDescribed) FactName() string { return "CarrierDescribed" }

// FactName implements Fact.
func (PersonDescribed) FactName() string { return "PersonDescribed" }

// FactName implements Fact.
func (IdentityWritten) FactName() string { return "IdentityWritten" }

// FactName implements Fact.
func (IdentityMerged) FactName() string { return "IdentityMerged" }

// FactName implements Fact.
func (IdentityErased) FactName() string { return "IdentityErased" }

// FactName implements Fact.
func (DeviceEnrolled) FactName() string { return "DeviceEnrolled" }

// FactName implements Fact.
func (LoggerDescribed) FactName() string { return "LoggerDescribed" }

// FactName implements Fact.
func (RouteDescribed) FactName() string { return "RouteDescribed" }

// FactName implements Fact.
func (RulesAdopted) FactName() string { return "RulesAdopted" }

// FactName implements Fact.
func (SchemesDeclared) FactName() string { return "SchemesDeclared" }

// FactName implements Fact.
func (ProgrammesDeclared) FactName() string { return "ProgrammesDeclared" }

// Examples holds one zero value of every fact, in the order of their numbers in
// the stored form. Tests that must cover every fact range over it.
func Examples() []Fact {
	return []Fact{
		RequestPlaced{},
		RequestCancelled{},
		TestAdded{},
		TestWithdrawn{},
		TubeAssigned{},
		DrawStarted{},
		CollectionFailed{},
		IdentityMismatch{},
		DrawEnded{},
		RecollectionAsked{},
		RecollectionDeclined{},
		RecollectionDone{},
		TubePrepared{},
		Collected{},
		Packed{},
		Unpacked{},
		Released{},
		TakenOver{},
		Seen{},
		Destined{},
		Redirected{},
		Received{},
		AcceptedForTesting{},
		AcceptedWithDeviation{},
		Rejected{},
		DefectNoted{},
		HandlingAttested{},
		SpinStarted{},
		SpinEnded{},
		SpinFailed{},
		Opened{},
		Measured{},
		FilmMade{},
		IncubationStarted{},
		IncubationEnded{},
		Frozen{},
		Thawed{},
		Stored{},
		Retrieved{},
		Referred{},
		Disposed{},
		DerivedFrom{},
		SameMaterialAs{},
		SplitInto{},
		ResultIssued{},
		DeclaredLost{},
		Found{},
		FlagRaised{},
		FlagChanged{},
		FlagCleared{},
		FlagTaken{},
		FlagOverridden{},
		FlagActed{},
		FlagPutAside{},
		Sealed{},
		SealBroken{},
		Departed{},
		Arrived{},
		Emptied{},
		LoggerAttached{},
		LoggerDetached{},
		LoggerCalibrated{}, LoggerFileImported{},
		Voided{},
		DoubtRaised{},
		DoubtClosed{},
		ClockMeasured{},
		PlaceDescribed{},
		CarrierDescribed{},
		PersonDescribed{},
		DeviceEnrolled{},
		LoggerDescribed{},
		RouteDescribed{},
		RulesAdopted{},
		Reidentified{},
		SchemesDeclared{},
		IdentityWritten{},
		IdentityMerged{},
		IdentityErased{},
		ProgrammesDeclared{},
	}
}
