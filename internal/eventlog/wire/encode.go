package wire

import (
	"fmt"

	"specimen.example/custody/internal/event"
	eventv1 "specimen.example/custody/proto/event/v1"
)

// factToProto gives the stored form of a fact. A fact without a case is a bug
// that TestEveryFactHasAStoredForm finds, not data.
func factToProto(f event.Fact) (*eventv1.Fact, error) {
	switch f := f.(type) {
	case event.RequestPlaced:
		return &eventv1.Fact{Fact: &eventv1.Fact_RequestPlaced{RequestPlaced: &eventv1.RequestPlaced{
			Patient:       f.Patient,
			Tests:         f.Tests,
			Priority:      f.Priority,
			Conditions:    f.Conditions,
			Destination:   f.Destination,
			Irreplaceable: f.Irreplaceable,
		}}}, nil
	case event.RequestCancelled:
		return &eventv1.Fact{Fact: &eventv1.Fact_RequestCancelled{RequestCancelled: &eventv1.RequestCancelled{
			Reason: f.Reason,
			Note:   cipherToProto(f.Note),
		}}}, nil
	case event.TestAdded:
		return &eventv1.Fact{Fact: &eventv1.Fact_TestAdded{TestAdded: &eventv1.TestAdded{Test: f.Test}}}, nil
	case event.TestWithdrawn:
		return &eventv1.Fact{Fact: &eventv1.Fact_TestWithdrawn{TestWithdrawn: &eventv1.TestWithdrawn{Test: f.Test}}}, nil
	case event.TubeAssigned:
		return &eventv1.Fact{Fact: &eventv1.Fact_TubeAssigned{TubeAssigned: &eventv1.TubeAssigned{
			Tube:  string(f.Tube),
			Type:  f.Type,
			Tests: f.Tests,
		}}}, nil
	case event.DrawStarted:
		return &eventv1.Fact{Fact: &eventv1.Fact_DrawStarted{DrawStarted: &eventv1.DrawStarted{
			Patient: f.Patient,
			Site:    f.Site,
			Method:  f.Method,
			Checks:  f.Checks,
			Meant:   f.Meant,
		}}}, nil
	case event.CollectionFailed:
		return &eventv1.Fact{Fact: &eventv1.Fact_CollectionFailed{CollectionFailed: &eventv1.CollectionFailed{
			Patient: f.Patient,
			Reason:  f.Reason,
			Note:    cipherToProto(f.Note),
		}}}, nil
	case event.IdentityMismatch:
		return &eventv1.Fact{Fact: &eventv1.Fact_IdentityMismatch{IdentityMismatch: &eventv1.IdentityMismatch{
			Tube:     string(f.Tube),
			Patient:  f.Patient,
			Expected: f.Expected,
		}}}, nil
	case event.DrawEnded:
		return &eventv1.Fact{Fact: &eventv1.Fact_DrawEnded{DrawEnded: &eventv1.DrawEnded{
			AfterCare:    f.AfterCare,
			AdverseEvent: f.AdverseEvent,
			Note:         cipherToProto(f.Note),
		}}}, nil
	case event.RecollectionAsked:
		return &eventv1.Fact{Fact: &eventv1.Fact_RecollectionAsked{RecollectionAsked: &eventv1.RecollectionAsked{
			Tubes:  keyStrings(f.Tubes),
			Tests:  f.Tests,
			Reason: f.Reason,
			Note:   cipherToProto(f.Note),
		}}}, nil
	case event.RecollectionDeclined:
		return &eventv1.Fact{Fact: &eventv1.Fact_RecollectionDeclined{RecollectionDeclined: &eventv1.RecollectionDeclined{
			Reason: f.Reason,
			Note:   cipherToProto(f.Note),
		}}}, nil
	case event.RecollectionDone:
		return &eventv1.Fact{Fact: &eventv1.Fact_RecollectionDone{RecollectionDone: &eventv1.RecollectionDone{
			NewDraw: string(f.NewDraw),
		}}}, nil
	case event.TubePrepared:
		return &eventv1.Fact{Fact: &eventv1.Fact_TubePrepared{TubePrepared: &eventv1.TubePrepared{
			Type:    f.Type,
			Patient: f.Patient,
			Request: string(f.Request),
			Tests:   f.Tests,
		}}}, nil
	case event.Collected:
		return &eventv1.Fact{Fact: &eventv1.Fact_Collected{Collected: &eventv1.Collected{
			Type:     f.Type,
			Patient:  f.Patient,
			Draw:     string(f.Draw),
			Request:  string(f.Request),
			Tests:    f.Tests,
			VolumeUl: f.VolumeUl,
			Lot:      f.Lot,
			Expiry:   f.Expiry,
		}}}, nil
	case event.Packed:
		return &eventv1.Fact{Fact: &eventv1.Fact_Packed{Packed: &eventv1.Packed{Carrier: string(f.Carrier)}}}, nil
	case event.Unpacked:
		return &eventv1.Fact{Fact: &eventv1.Fact_Unpacked{Unpacked: &eventv1.Unpacked{Carrier: string(f.Carrier)}}}, nil
	case event.Released:
		return &eventv1.Fact{Fact: &eventv1.Fact_Released{Released: &eventv1.Released{To: f.To, Mode: f.Mode, Count: f.Count, Seal: f.Seal}}}, nil
	case event.TakenOver:
		return &eventv1.Fact{Fact: &eventv1.Fact_TakenOver{TakenOver: &eventv1.TakenOver{
			From: f.From, Mode: f.Mode, Count: f.Count, Seal: f.Seal, Condition: f.Condition,
		}}}, nil
	case event.Seen:
		return &eventv1.Fact{Fact: &eventv1.Fact_Seen{Seen: &eventv1.Seen{}}}, nil
	case event.Destined:
		return &eventv1.Fact{Fact: &eventv1.Fact_Destined{Destined: &eventv1.Destined{Place: f.Place}}}, nil
	case event.Redirected:
		return &eventv1.Fact{Fact: &eventv1.Fact_Redirected{Redirected: &eventv1.Redirected{Place: f.Place}}}, nil
	case event.Received:
		return &eventv1.Fact{Fact: &eventv1.Fact_Received{Received: &eventv1.Received{
			From:      f.From,
			Condition: f.Condition,
			Type:      f.Type,
			Carrier:   string(f.Carrier),
		}}}, nil
	case event.AcceptedForTesting:
		return &eventv1.Fact{Fact: &eventv1.Fact_AcceptedForTesting{AcceptedForTesting: &eventv1.AcceptedForTesting{}}}, nil
	case event.AcceptedWithDeviation:
		return &eventv1.Fact{Fact: &eventv1.Fact_AcceptedWithDeviation{AcceptedWithDeviation: &eventv1.AcceptedWithDeviation{
			Authoriser: f.Authoriser,
			Reason:     f.Reason,
			ReportText: f.ReportText,
			Note:       cipherToProto(f.Note),
		}}}, nil
	case event.Rejected:
		return &eventv1.Fact{Fact: &eventv1.Fact_Rejected{Rejected: &eventv1.Rejected{
			Reason: f.Reason,
			Note:   cipherToProto(f.Note),
		}}}, nil
	case event.DefectNoted:
		return &eventv1.Fact{Fact: &eventv1.Fact_DefectNoted{DefectNoted: &eventv1.DefectNoted{
			Defect: f.Defect,
			Note:   cipherToProto(f.Note),
		}}}, nil
	case event.HandlingAttested:
		return &eventv1.Fact{Fact: &eventv1.Fact_HandlingAttested{HandlingAttested: &eventv1.HandlingAttested{
			Handling: f.Handling,
			From:     int64(f.From),
			Until:    int64(f.Until),
		}}}, nil
	case event.SpinStarted:
		return &eventv1.Fact{Fact: &eventv1.Fact_SpinStarted{SpinStarted: &eventv1.SpinStarted{
			Load:      string(f.Load),
			Programme: f.Programme,
			G:         f.G,
			Minutes:   f.Minutes,
		}}}, nil
	case event.SpinEnded:
		return &eventv1.Fact{Fact: &eventv1.Fact_SpinEnded{SpinEnded: &eventv1.SpinEnded{Load: string(f.Load)}}}, nil
	case event.SpinFailed:
		return &eventv1.Fact{Fact: &eventv1.Fact_SpinFailed{SpinFailed: &eventv1.SpinFailed{
			Load:   string(f.Load),
			Reason: f.Reason,
		}}}, nil
	case event.Opened:
		return &eventv1.Fact{Fact: &eventv1.Fact_Opened{Opened: &eventv1.Opened{}}}, nil
	case event.Measured:
		return &eventv1.Fact{Fact: &eventv1.Fact_Measured{Measured: &eventv1.Measured{What: f.What, Tests: f.Tests}}}, nil
	case event.FilmMade:
		return &eventv1.Fact{Fact: &eventv1.Fact_FilmMade{FilmMade: &eventv1.FilmMade{}}}, nil
	case event.IncubationStarted:
		return &eventv1.Fact{Fact: &eventv1.Fact_IncubationStarted{IncubationStarted: &eventv1.IncubationStarted{
			Tests: f.Tests,
		}}}, nil
	case event.IncubationEnded:
		return &eventv1.Fact{Fact: &eventv1.Fact_IncubationEnded{IncubationEnded: &eventv1.IncubationEnded{
			Tests: f.Tests,
		}}}, nil
	case event.Frozen:
		return &eventv1.Fact{Fact: &eventv1.Fact_Frozen{Frozen: &eventv1.Frozen{}}}, nil
	case event.Thawed:
		return &eventv1.Fact{Fact: &eventv1.Fact_Thawed{Thawed: &eventv1.Thawed{}}}, nil
	case event.Stored:
		return &eventv1.Fact{Fact: &eventv1.Fact_Stored{Stored: &eventv1.Stored{Place: f.Place}}}, nil
	case event.Retrieved:
		return &eventv1.Fact{Fact: &eventv1.Fact_Retrieved{Retrieved: &eventv1.Retrieved{Place: f.Place}}}, nil
	case event.Referred:
		return &eventv1.Fact{Fact: &eventv1.Fact_Referred{Referred: &eventv1.Referred{To: f.To, Due: int64(f.Due)}}}, nil
	case event.Disposed:
		return &eventv1.Fact{Fact: &eventv1.Fact_Disposed{Disposed: &eventv1.Disposed{
			Reason: f.Reason,
			Note:   cipherToProto(f.Note),
		}}}, nil
	case event.DerivedFrom:
		return &eventv1.Fact{Fact: &eventv1.Fact_DerivedFrom{DerivedFrom: &eventv1.DerivedFrom{
			Parent: string(f.Parent),
			Type:   f.Type,
			Tests:  f.Tests,
		}}}, nil
	case event.SameMaterialAs:
		return &eventv1.Fact{Fact: &eventv1.Fact_SameMaterialAs{SameMaterialAs: &eventv1.SameMaterialAs{
			Tube:   string(f.Tube),
			Reason: f.Reason,
			Note:   cipherToProto(f.Note),
		}}}, nil
	case event.Reidentified:
		return &eventv1.Fact{Fact: &eventv1.Fact_Reidentified{Reidentified: &eventv1.Reidentified{
			Patient: f.Patient,
			Request: string(f.Request),
			Reason:  f.Reason,
			Note:    cipherToProto(f.Note),
		}}}, nil
	case event.SplitInto:
		return &eventv1.Fact{Fact: &eventv1.Fact_SplitInto{SplitInto: &eventv1.SplitInto{Tubes: keyStrings(f.Tubes)}}}, nil
	case event.ResultIssued:
		return &eventv1.Fact{Fact: &eventv1.Fact_ResultIssued{ResultIssued: &eventv1.ResultIssued{Tests: f.Tests}}}, nil
	case event.DeclaredLost:
		return &eventv1.Fact{Fact: &eventv1.Fact_DeclaredLost{DeclaredLost: &eventv1.DeclaredLost{
			Reason: f.Reason,
			Note:   cipherToProto(f.Note),
		}}}, nil
	case event.Found:
		return &eventv1.Fact{Fact: &eventv1.Fact_Found{Found: &eventv1.Found{}}}, nil
	case event.FlagRaised:
		return &eventv1.Fact{Fact: &eventv1.Fact_FlagRaised{FlagRaised: &eventv1.FlagRaised{Flag: flagToProto(f.Flag)}}}, nil
	case event.FlagChanged:
		return &eventv1.Fact{Fact: &eventv1.Fact_FlagChanged{FlagChanged: &eventv1.FlagChanged{
			Flag: flagToProto(f.Flag),
		}}}, nil
	case event.FlagCleared:
		return &eventv1.Fact{Fact: &eventv1.Fact_FlagCleared{FlagCleared: &eventv1.FlagCleared{
			Episode: f.Episode,
			Reason:  f.Reason,
		}}}, nil
	case event.FlagTaken:
		return &eventv1.Fact{Fact: &eventv1.Fact_FlagTaken{FlagTaken: &eventv1.FlagTaken{Episode: f.Episode}}}, nil
	case event.FlagOverridden:
		return &eventv1.Fact{Fact: &eventv1.Fact_FlagOverridden{FlagOverridden: &eventv1.FlagOverridden{
			Episode: f.Episode,
			Reason:  f.Reason,
			Note:    cipherToProto(f.Note),
		}}}, nil
	case event.FlagActed:
		return &eventv1.Fact{Fact: &eventv1.Fact_FlagActed{FlagActed: &eventv1.FlagActed{
			Episode: f.Episode,
			Action:  f.Action,
		}}}, nil
	case event.FlagPutAside:
		return &eventv1.Fact{Fact: &eventv1.Fact_FlagPutAside{FlagPutAside: &eventv1.FlagPutAside{
			Episode: f.Episode,
			Until:   int64(f.Until),
			Reason:  f.Reason,
		}}}, nil
	case event.Sealed:
		return &eventv1.Fact{Fact: &eventv1.Fact_Sealed{Sealed: &eventv1.Sealed{Seal: f.Seal, Count: f.Count}}}, nil
	case event.SealBroken:
		return &eventv1.Fact{Fact: &eventv1.Fact_SealBroken{SealBroken: &eventv1.SealBroken{Seal: f.Seal}}}, nil
	case event.Departed:
		return &eventv1.Fact{Fact: &eventv1.Fact_Departed{Departed: &eventv1.Departed{
			Mode:  f.Mode,
			Route: string(f.Route),
			To:    f.To,
		}}}, nil
	case event.Arrived:
		return &eventv1.Fact{Fact: &eventv1.Fact_Arrived{Arrived: &eventv1.Arrived{}}}, nil
	case event.Emptied:
		return &eventv1.Fact{Fact: &eventv1.Fact_Emptied{Emptied: &eventv1.Emptied{Count: f.Count}}}, nil
	case event.LoggerAttached:
		return &eventv1.Fact{Fact: &eventv1.Fact_LoggerAttached{LoggerAttached: &eventv1.LoggerAttached{
			To:     string(f.To),
			ToKind: f.ToKind,
		}}}, nil
	case event.LoggerDetached:
		return &eventv1.Fact{Fact: &eventv1.Fact_LoggerDetached{LoggerDetached: &eventv1.LoggerDetached{}}}, nil
	case event.LoggerFileImported:
		return &eventv1.Fact{Fact: &eventv1.Fact_LoggerFileImported{LoggerFileImported: &eventv1.LoggerFileImported{
			Hash:    f.Hash,
			File:    f.File,
			Mapping: f.Mapping,
			Import:  f.Import,
			Values:  f.Values,
			Faults:  f.Faults,
			First:   int64(f.First),
			Last:    int64(f.Last),
			Zone:    f.Zone,
			Sync:    millis(f.Sync),
		}}}, nil
	case event.LoggerCalibrated:
		return &eventv1.Fact{Fact: &eventv1.Fact_LoggerCalibrated{LoggerCalibrated: &eventv1.LoggerCalibrated{
			UncertaintyCenti: f.UncertaintyCenti,
			Due:              int64(f.Due),
		}}}, nil
	case event.Voided:
		return &eventv1.Fact{Fact: &eventv1.Fact_Voided{Voided: &eventv1.Voided{
			Scan:   f.Scan,
			Reason: f.Reason,
			Note:   cipherToProto(f.Note),
		}}}, nil
	case event.DoubtRaised:
		return &eventv1.Fact{Fact: &eventv1.Fact_DoubtRaised{DoubtRaised: &eventv1.DoubtRaised{
			Id:     f.ID,
			Doubt:  f.Doubt,
			Causes: f.Causes,
		}}}, nil
	case event.DoubtClosed:
		return &eventv1.Fact{Fact: &eventv1.Fact_DoubtClosed{DoubtClosed: &eventv1.DoubtClosed{
			Id:     f.ID,
			By:     f.By,
			Reason: f.Reason,
			Note:   cipherToProto(f.Note),
		}}}, nil
	case event.ClockMeasured:
		return &eventv1.Fact{Fact: &eventv1.Fact_ClockMeasured{ClockMeasured: &eventv1.ClockMeasured{
			OffsetMs:      f.OffsetMs,
			UncertaintyMs: f.UncertaintyMs,
		}}}, nil
	case event.PlaceDescribed:
		return &eventv1.Fact{Fact: &eventv1.Fact_PlaceDescribed{PlaceDescribed: &eventv1.PlaceDescribed{
			Name:         f.Name,
			PlaceKind:    f.PlaceKind,
			Zone:         f.Zone,
			Assumed:      rangeToProto(f.Assumed),
			Basis:        f.Basis,
			Owner:        f.Owner,
			Review:       int64(f.Review),
			BenchSpinMin: f.BenchSpinMin,
			Relabel:      f.Relabel,

			Identify:         f.Identify,
			SecondPerson:     f.SecondPerson,
			Spins:            f.Spins,
			MostDrawPermille: f.MostDrawPermille,
			Rotor:            rotorToProto(f.Rotor),
		}}}, nil
	case event.CarrierDescribed:
		return &eventv1.Fact{Fact: &eventv1.Fact_CarrierDescribed{CarrierDescribed: &eventv1.CarrierDescribed{
			CarrierKind: f.CarrierKind,
			OwnClimate:  f.OwnClimate,
			Assumed:     rangeToProto(f.Assumed),
			Basis:       f.Basis,
			Owner:       f.Owner,
			Review:      int64(f.Review),
		}}}, nil
	case event.PersonDescribed:
		return &eventv1.Fact{Fact: &eventv1.Fact_PersonDescribed{PersonDescribed: &eventv1.PersonDescribed{
			Role:   f.Role,
			Active: f.Active,
			Roles:  rolesToProto(f.Roles),
		}}}, nil
	case event.DeviceEnrolled:
		return &eventv1.Fact{Fact: &eventv1.Fact_DeviceEnrolled{DeviceEnrolled: &eventv1.DeviceEnrolled{
			DeviceKind: f.DeviceKind,
			Active:     f.Active,
			Place:      f.Place,
			KeyId:      f.KeyID,
			PublicKey:  f.PublicKey,
		}}}, nil
	case event.LoggerDescribed:
		return &eventv1.Fact{Fact: &eventv1.Fact_LoggerDescribed{LoggerDescribed: &eventv1.LoggerDescribed{
			EveryMs:  f.EveryMs,
			HoldMs:   f.HoldMs,
			MaxGapMs: f.MaxGapMs,
			Zone:     f.Zone,
		}}}, nil
	case event.RouteDescribed:
		return &eventv1.Fact{Fact: &eventv1.Fact_RouteDescribed{RouteDescribed: &eventv1.RouteDescribed{
			From:     f.From,
			To:       f.To,
			Departs:  f.Departs,
			TakesMin: f.TakesMin,
			Zone:     f.Zone,
		}}}, nil
	case event.RulesAdopted:
		return &eventv1.Fact{Fact: &eventv1.Fact_RulesAdopted{RulesAdopted: &eventv1.RulesAdopted{
			Hash:     f.Hash,
			Bytes:    f.Bytes,
			InForce:  int64(f.InForce),
			InFlight: f.InFlight,
			Name:     f.Name,
			Version:  f.Version,
			Second:   f.Second,
			Reason:   f.Reason,
		}}}, nil
	case event.IdentityWritten:
		return &eventv1.Fact{Fact: &eventv1.Fact_IdentityWritten{IdentityWritten: &eventv1.IdentityWritten{
			Fields: f.Fields, Reason: f.Reason, Note: cipherToProto(f.Note),
		}}}, nil
	case event.IdentityMerged:
		return &eventv1.Fact{Fact: &eventv1.Fact_IdentityMerged{IdentityMerged: &eventv1.IdentityMerged{
			Into: f.Into, Reason: f.Reason, Note: cipherToProto(f.Note),
		}}}, nil
	case event.IdentityErased:
		return &eventv1.Fact{Fact: &eventv1.Fact_IdentityErased{IdentityErased: &eventv1.IdentityErased{Reason: f.Reason}}}, nil
	case event.ProgrammesDeclared:
		return &eventv1.Fact{Fact: &eventv1.Fact_ProgrammesDeclared{ProgrammesDeclared: &eventv1.ProgrammesDeclared{
			Programmes: programmesToProto(f.Programmes),
		}}}, nil
	case event.SchemesDeclared:
		return &eventv1.Fact{Fact: &eventv1.Fact_SchemesDeclared{SchemesDeclared: &eventv1.SchemesDeclared{Schemes: encodeSchemes(f.Schemes)}}}, nil
	default:
		return nil, fmt.Errorf("wire: fact %T has no stored form", f)
	}
}

func encodeSchemes(list []event.NumberScheme) []*eventv1.NumberScheme {
	out := make([]*eventv1.NumberScheme, 0, len(list))
	for _, s := range list {
		out = append(out, &eventv1.NumberScheme{
			Id: s.ID, Issuer: s.Issuer, Names: s.Names, Pattern: s.Pattern, Check: s.Check, LetterCase: s.Case, Zeros: s.Zeros, In: s.In,
			Framed: s.Framed, Ward: s.Ward, TubeType: s.TubeType, ReuseMs: s.ReuseMs,
		})
	}
	return out
}

func millis(at []event.Instant) []int64 {
	var out []int64
	for _, t := range at {
		out = append(out, int64(t))
	}
	return out
}

func rolesToProto(roles []event.RoleAt) []*eventv1.RoleAt {
	var out []*eventv1.RoleAt
	for _, r := range roles {
		out = append(out, &eventv1.RoleAt{Role: r.Role, Place: r.Place})
	}
	return out
}
