package event

import "slices"

// ReasonWords lists the words that a person's reason may be stored as. HL7 table
// 0490 codes come first, HL7 table 0544 codes that a container can have next; the
// rest is common practice, no source. Anything else a person says is free text
// and is stored under the patient's key only.
func ReasonWords() []string {
	return []string{
		"EX", "QS", "RA", "RB", "RC", "RD", "RE", "RH", "RI", "RM", "RN", "RP", "RR", "RS",
		"SB", "CC", "CT", "CL",
		"leak", "haemolysed", "clotted", "short-fill", "over-filled", "lipaemic", "icteric", "unlabelled", "label-printed-twice",
		"wrong-tube", "wrong-patient", "wrong-time", "wrong-place", "wrong-step", "too-old", "too-warm", "too-cold", "frozen",
		"duplicate", "no-vein", "patient-refused", "patient-absent", "not-fasting", "vein-collapsed", "doctor-asked",
		"test-not-needed", "used-up", "storage-ended", "broken", "machine-stopped", "imbalance", "explained", "found",
		"irreplaceable", "urgent", "result-expected-anyway",
		"typing-mistake", "one-person", "patient-asked", "keeping-ended",
	}
}

// IsReasonWord reports whether a reason may be stored as it is.
func IsReasonWord(s string) bool { return slices.Contains(ReasonWords(), s) }
