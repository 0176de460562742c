package event

// Likely is a cause that a person should look for first when something doesn't fit.
// Common practice, no source: which of them it was, nobody but a person can say.
type Likely string

// The likely causes.
const (
	LikelyTwoTubes      Likely = "two-tubes-one-number"
	LikelyWrongPlace    Likely = "wrong-place-on-device"
	LikelyForgotten     Likely = "scan-forgotten"
	LikelyNotSent       Likely = "phone-not-sent"
	LikelyPackedElse    Likely = "packed-elsewhere"
	LikelyTakenOut      Likely = "taken-out-unscanned"
	LikelyLeftBehind    Likely = "left-behind"
	LikelyLabelsMixed   Likely = "labels-mixed-up"
	LikelyClock         Likely = "clock-wrong"
	LikelyTyped         Likely = "time-typed-wrong"
	LikelyHeldUp        Likely = "held-up"
	LikelyArrived       Likely = "arrived-unscanned"
	LikelyOpened        Likely = "opened-on-the-way"
	LikelyMiscounted    Likely = "counted-wrong"
	LikelySharedBadge   Likely = "one-badge-two-people"
	LikelyLabelOff      Likely = "label-lost-or-unreadable"
	LikelyOtherTube     Likely = "another-tube-was-meant"
	LikelyClockSet      Likely = "clock-set-by-hand"
	LikelyOtherTubeType Likely = "another-type-was-at-hand"
)

// likelySay are the likely causes in plain words.
var likelySay = map[Likely]string{
	LikelyTwoTubes:      "two tubes carry one number",
	LikelyWrongPlace:    "the device was set to another place",
	LikelyForgotten:     "somebody forgot to scan",
	LikelyNotSent:       "a phone hasn't sent its scans yet",
	LikelyPackedElse:    "it was put into another box",
	LikelyTakenOut:      "it was taken out without a scan",
	LikelyLeftBehind:    "it was left where it came from",
	LikelyLabelsMixed:   "labels were mixed up",
	LikelyClock:         "a device's clock is wrong",
	LikelyTyped:         "a time was typed wrongly",
	LikelyHeldUp:        "it is held up on the way",
	LikelyArrived:       "it arrived and nobody scanned it",
	LikelyOpened:        "the box was opened on the way",
	LikelyMiscounted:    "somebody counted wrongly",
	LikelySharedBadge:   "two people used one badge",
	LikelyLabelOff:      "the label came off or can't be read",
	LikelyOtherTube:     "another tube was meant",
	LikelyClockSet:      "somebody set the clock",
	LikelyOtherTubeType: "another tube type was at hand",
}

// Say gives the cause in plain words.
func (l Likely) Say() string { return likelySay[l] }

// likely names, for each doubt, what to look for, the commonest first.
var likely = map[Doubt][]Likely{
	DoubtOneNumberTwoTubes:       {LikelyTwoTubes, LikelyLabelsMixed},
	DoubtTwoPlaces:               {LikelyTwoTubes, LikelyWrongPlace, LikelyForgotten},
	DoubtReceivedBeforeCollected: {LikelyTyped, LikelyClock},
	DoubtNotInCarrier:            {LikelyTakenOut, LikelyLeftBehind, LikelyWrongPlace},
	DoubtMissing:                 {LikelyLeftBehind, LikelyPackedElse, LikelyTakenOut, LikelyMiscounted},
	DoubtExtra:                   {LikelyForgotten, LikelyPackedElse, LikelyNotSent, LikelyMiscounted},
	DoubtLegNotReported:          {LikelyNotSent, LikelyForgotten},
	DoubtAfterDisposal:           {LikelyOtherTube, LikelyTwoTubes},
	DoubtClockWrong:              {LikelyClockSet, LikelyClock},
	DoubtOneSidedHandoff:         {LikelyNotSent, LikelyForgotten},
	DoubtCollectionTimeConflict:  {LikelyTyped, LikelyClock},
	DoubtBrokenSeal:              {LikelyOpened, LikelyLabelsMixed},
	DoubtIdentityMismatch:        {LikelyLabelsMixed, LikelyOtherTube},
	DoubtSpunBeforeClotted:       {LikelyForgotten, LikelyTyped},
	DoubtWrongTubeType:           {LikelyOtherTubeType, LikelyTwoTubes},
	DoubtImpossibleTravel:        {LikelyTwoTubes, LikelyWrongPlace, LikelyClock},
	DoubtOverlap:                 {LikelyNotSent, LikelySharedBadge, LikelyForgotten},
	DoubtUnlabelled:              {LikelyLabelOff, LikelyForgotten},
	DoubtLate:                    {LikelyHeldUp, LikelyArrived, LikelyNotSent, LikelyLeftBehind},
	DoubtTwoPatients:             {LikelyLabelsMixed, LikelyOtherTube},
	DoubtClockJumped:             {LikelyClockSet},
}

// LikelyCauses names what to look for first. The slice must not be changed.
func LikelyCauses(d Doubt) []Likely { return likely[d] }
