package wire

import (
	"specimen.example/custody/internal/event"
	eventv1 "specimen.example/custody/proto/event/v1"
)

// factFromProto is the other direction of factToProto. A fact written by a newer
// program has no case here; it comes back as nil and the reader says so.
func factFromProto(p *eventv1.Fact) event.Fact {
	switch p := p.GetFact().(type) {
	case *eventv1.Fact_RequestPlaced:
		m := p.RequestPlaced
		return event.RequestPlaced{
			Patient:       m.Patient,
			Tests:         m.Tests,
			Priority:      m.Priority,
			Conditions:    m.Conditions,
			Destination:   m.Destination,
			Irreplaceable: m.Irreplaceable,
		}
	case *eventv1.Fact_RequestCancelled:
		m := p.RequestCancelled
		return event.RequestCancelled{Reason: m.Reason, Note: cipherFromProto(m.Note)}
	case *eventv1.Fact_TestAdded:
		m := p.TestAdded
		return event.TestAdded{Test: m.Test}
	case *eventv1.Fact_TestWithdrawn:
		m := p.TestWithdrawn
		return event.TestWithdrawn{Test: m.Test}
	case *eventv1.Fact_TubeAssigned:
		m := p.TubeAssigned
		return event.TubeAssigned{Tube: event.Key(m.Tube), Type: m.Type, Tests: m.Tests}
	case *eventv1.Fact_DrawStarted:
		m := p.DrawStarted
		return event.DrawStarted{Patient: m.Patient, Site: m.Site, Method: m.Method, Checks: m.Checks, Meant: m.Meant}
	case *eventv1.Fact_CollectionFailed:
		m := p.CollectionFailed
		return event.CollectionFailed{Patient: m.Patient, Reason: m.Reason, Note: cipherFromProto(m.Note)}
	case *eventv1.Fact_IdentityMismatch:
		m := p.IdentityMismatch
		return event.IdentityMismatch{Tube: event.Key(m.Tube), Patient: m.Patient, Expected: m.Expected}
	case *eventv1.Fact_DrawEnded:
		m := p.DrawEnded
		return event.DrawEnded{AfterCare: m.AfterCare, AdverseEvent: m.AdverseEvent, Note: cipherFromProto(m.Note)}
	case *eventv1.Fact_RecollectionAsked:
		m := p.RecollectionAsked
		return event.RecollectionAsked{
			Tubes:  stringKeys(m.Tubes),
			Tests:  m.Tests,
			Reason: m.Reason,
			Note:   cipherFromProto(m.Note),
		}
	case *eventv1.Fact_RecollectionDeclined:
		m := p.RecollectionDeclined
		return event.RecollectionDeclined{Reason: m.Reason, Note: cipherFromProto(m.Note)}
	case *eventv1.Fact_RecollectionDone:
		m := p.RecollectionDone
		return event.RecollectionDone{NewDraw: event.Key(m.NewDraw)}
	case *eventv1.Fact_TubePrepared:
		m := p.TubePrepared
		return event.TubePrepared{Type: m.Type, Patient: m.Patient, Request: event.Key(m.Request), Tests: m.Tests}
	case *eventv1.Fact_Collected:
		m := p.Collected
		return event.Collected{
			Type:     m.Type,
			Patient:  m.Patient,
			Draw:     event.Key(m.Draw),
			Request:  event.Key(m.Request),
			Tests:    m.Tests,
			VolumeUl: m.VolumeUl,
			Lot:      m.Lot,
			Expiry:   m.Expiry,
		}
	case *eventv1.Fact_Packed:
		m := p.Packed
		return event.Packed{Carrier: event.Key(m.Carrier)}
	case *eventv1.Fact_Unpacked:
		m := p.Unpacked
		return event.Unpacked{Carrier: event.Key(m.Carrier)}
	case *eventv1.Fact_Released:
		m := p.Released
		return event.Released{To: m.To, Mode: m.Mode, Count: m.Count, Seal: m.Seal}
	case *eventv1.Fact_TakenOver:
		m := p.TakenOver
		return event.TakenOver{From: m.From, Mode: m.Mode, Count: m.Count, Seal: m.Seal, Condition: m.Condition}
	case *eventv1.Fact_Seen:
		return event.Seen{}
	case *eventv1.Fact_Destined:
		m := p.Destined
		return event.Destined{Place: m.Place}
	case *eventv1.Fact_Redirected:
		m := p.Redirected
		return event.Redirected{Place: m.Place}
	case *eventv1.Fact_Received:
		m := p.Received
		return event.Received{From: m.From, Condition: m.Condition, Type: m.Type, Carrier: event.Key(m.Carrier)}
	case *eventv1.Fact_AcceptedForTesting:
		return event.AcceptedForTesting{}
	case *eventv1.Fact_AcceptedWithDeviation:
		m := p.AcceptedWithDeviation
		return event.AcceptedWithDeviation{
			Authoriser: m.Authoriser,
			Reason:     m.Reason,
			ReportText: m.ReportText,
			Note:       cipherFromProto(m.Note),
		}
	case *eventv1.Fact_Rejected:
		m := p.Rejected
		return event.Rejected{Reason: m.Reason, Note: cipherFromProto(m.Note)}
	case *eventv1.Fact_DefectNoted:
		m := p.DefectNoted
		return event.DefectNoted{Defect: m.Defect, Note: cipherFromProto(m.Note)}
	case *eventv1.Fact_HandlingAttested:
		m := p.HandlingAttested
		return event.HandlingAttested{Handling: m.Handling, From: event.Instant(m.From), Until: event.Instant(m.Until)}
	case *eventv1.Fact_SpinStarted:
		m := p.SpinStarted
		return event.SpinStarted{Load: event.Key(m.Load), Programme: m.Programme, G: m.G, Minutes: m.Minutes}
	case *eventv1.Fact_SpinEnded:
		m := p.SpinEnded
		return event.SpinEnded{Load: event.Key(m.Load)}
	case *eventv1.Fact_SpinFailed:
		m := p.SpinFailed
		return event.SpinFailed{Load: event.Key(m.Load), Reason: m.Reason}
	case *eventv1.Fact_Opened:
		return event.Opened{}
	case *eventv1.Fact_Measured:
		m := p.Measured
		return event.Measured{What: m.What, Tests: m.Tests}
	case *eventv1.Fact_FilmMade:
		return event.FilmMade{}
	case *eventv1.Fact_IncubationStarted:
		m := p.IncubationStarted
		return event.IncubationStarted{Tests: m.Tests}
	case *eventv1.Fact_IncubationEnded:
		m := p.IncubationEnded
		return event.IncubationEnded{Tests: m.Tests}
	case *eventv1.Fact_Frozen:
		return event.Frozen{}
	case *eventv1.Fact_Thawed:
		return event.Thawed{}
	case *eventv1.Fact_Stored:
		m := p.Stored
		return event.Stored{Place: m.Place}
	case *eventv1.Fact_Retrieved:
		m := p.Retrieved
		return event.Retrieved{Place: m.Place}
	case *eventv1.Fact_Referred:
		m := p.Referred
		return event.Referred{To: m.To, Due: event.Instant(m.Due)}
	case *eventv1.Fact_Disposed:
		m := p.Disposed
		return event.Disposed{Reason: m.Reason, Note: cipherFromProto(m.Note)}
	case *eventv1.Fact_DerivedFrom:
		m := p.DerivedFrom
		return event.DerivedFrom{Parent: event.Key(m.Parent), Type: m.Type, Tests: m.Tests}
	case *eventv1.Fact_SameMaterialAs:
		m := p.SameMaterialAs
		return event.SameMaterialAs{Tube: event.Key(m.Tube), Reason: m.Reason, Note: cipherFromProto(m.Note)}
	case *eventv1.Fact_Reidentified:
		m := p.Reidentified
		return event.Reidentified{Patient: m.Patient, Request: event.Key(m.Request), Reason: m.Reason, Note: cipherFromProto(m.Note)}
	case *eventv1.Fact_SplitInto:
		m := p.SplitInto
		return event.SplitInto{Tubes: stringKeys(m.Tubes)}
	case *eventv1.Fact_ResultIssued:
		m := p.ResultIssued
		return event.ResultIssued{Tests: m.Tests}
	case *eventv1.Fact_DeclaredLost:
		m := p.DeclaredLost
		return event.DeclaredLost{Reason: m.Reason, Note: cipherFromProto(m.Note)}
	case *eventv1.Fact_Found:
		return event.Found{}
	case *eventv1.Fact_FlagRaised:
		m := p.FlagRaised
		return event.FlagRaised{Flag: flagFromProto(m.Flag)}
	case *eventv1.Fact_FlagChanged:
		m := p.FlagChanged
		return event.FlagChanged{Flag: flagFromProto(m.Flag)}
	case *eventv1.Fact_FlagCleared:
		m := p.FlagCleared
		return event.FlagCleared{Episode: m.Episode, Reason: m.Reason}
	case *eventv1.Fact_FlagTaken:
		m := p.FlagTaken
		return event.FlagTaken{Episode: m.Episode}
	case *eventv1.Fact_FlagOverridden:
		m := p.FlagOverridden
		return event.FlagOverridden{Episode: m.Episode, Reason: m.Reason, Note: cipherFromProto(m.Note)}
	case *eventv1.Fact_FlagActed:
		m := p.FlagActed
		return event.FlagActed{Episode: m.Episode, Action: m.Action}
	case *eventv1.Fact_FlagPutAside:
		m := p.FlagPutAside
		return event.FlagPutAside{Episode: m.Episode, Until: event.Instant(m.Until), Reason: m.Reason}
	case *eventv1.Fact_Sealed:
		m := p.Sealed
		return event.Sealed{Seal: m.Seal, Count: m.Count}
	case *eventv1.Fact_SealBroken:
		m := p.SealBroken
		return event.SealBroken{Seal: m.Seal}
	case *eventv1.Fact_Departed:
		m := p.Departed
		return event.Departed{Mode: m.Mode, Route: event.Key(m.Route), To: m.To}
	case *eventv1.Fact_Arrived:
		return event.Arrived{}
	case *eventv1.Fact_Emptied:
		m := p.Emptied
		return event.Emptied{Count: m.Count}
	case *eventv1.Fact_LoggerAttached:
		m := p.LoggerAttached
		return event.LoggerAttached{To: event.Key(m.To), ToKind: m.ToKind}
	case *eventv1.Fact_LoggerDetached:
		return event.LoggerDetached{}
	case *eventv1.Fact_LoggerFileImported:
		m := p.LoggerFileImported
		return event.LoggerFileImported{
			Hash: m.Hash, File: m.File, Mapping: m.Mapping, Import: m.Import, Values: m.Values, Faults: m.Faults,
			First: event.Instant(m.First), Last: event.Instant(m.Last), Zone: m.Zone, Sync: instants(m.Sync),
		}
	case *eventv1.Fact_LoggerCalibrated:
		m := p.LoggerCalibrated
		return event.LoggerCalibrated{UncertaintyCenti: m.UncertaintyCenti, Due: event.Instant(m.Due)}
	case *eventv1.Fact_Voided:
		m := p.Voided
		return event.Voided{Scan: m.Scan, Reason: m.Reason, Note: cipherFromProto(m.Note)}
	case *eventv1.Fact_DoubtRaised:
		m := p.DoubtRaised
		return event.DoubtRaised{ID: m.Id, Doubt: m.Doubt, Causes: m.Causes}
	case *eventv1.Fact_DoubtClosed:
		m := p.DoubtClosed
		return event.DoubtClosed{ID: m.Id, By: m.By, Reason: m.Reason, Note: cipherFromProto(m.Note)}
	case *eventv1.Fact_ClockMeasured:
		m := p.ClockMeasured
		return event.ClockMeasured{OffsetMs: m.OffsetMs, UncertaintyMs: m.UncertaintyMs}
	case *eventv1.Fact_PlaceDescribed:
		m := p.PlaceDescribed
		return event.PlaceDescribed{
			Name:         m.Name,
			PlaceKind:    m.PlaceKind,
			Zone:         m.Zone,
			Assumed:      rangeFromProto(m.Assumed),
			Basis:        m.Basis,
			Owner:        m.Owner,
			Review:       event.Instant(m.Review),
			BenchSpinMin: m.BenchSpinMin,
			Relabel:      m.Relabel,

			Identify:         m.Identify,
			SecondPerson:     m.SecondPerson,
			Spins:            m.Spins,
			MostDrawPermille: m.MostDrawPermille,
			Rotor:            rotorFromProto(m.Rotor),
		}
	case *eventv1.Fact_CarrierDescribed:
		m := p.CarrierDescribed
		return event.CarrierDescribed{
			CarrierKind: m.CarrierKind,
			OwnClimate:  m.OwnClimate,
			Assumed:     rangeFromProto(m.Assumed),
			Basis:       m.Basis,
			Owner:       m.Owner,
			Review:      event.Instant(m.Review),
		}
	case *eventv1.Fact_PersonDescribed:
		m := p.PersonDescribed
		return event.PersonDescribed{Role: m.Role, Active: m.Active, Roles: rolesFromProto(m.Roles)}
	case *eventv1.Fact_DeviceEnrolled:
		m := p.DeviceEnrolled
		return event.DeviceEnrolled{DeviceKind: m.DeviceKind, Active: m.Active, Place: m.Place, KeyID: m.KeyId, PublicKey: m.PublicKey}
	case *eventv1.Fact_LoggerDescribed:
		m := p.LoggerDescribed
		return event.LoggerDescribed{EveryMs: m.EveryMs, HoldMs: m.HoldMs, MaxGapMs: m.MaxGapMs, Zone: m.Zone}
	case *eventv1.Fact_RouteDescribed:
		m := p.RouteDescribed
		return event.RouteDescribed{From: m.From, To: m.To, Departs: m.Departs, TakesMin: m.TakesMin, Zone: m.Zone}
	case *eventv1.Fact_RulesAdopted:
		m := p.RulesAdopted
		return event.RulesAdopted{
			Hash:     m.Hash,
			Bytes:    m.Bytes,
			InForce:  event.Instant(m.InForce),
			InFlight: m.InFlight,
			Name:     m.Name,
			Version:  m.Version,
			Second:   m.Second,
			Reason:   m.Reason,
		}
	case *eventv1.Fact_IdentityWritten:
		m := p.IdentityWritten
		return event.IdentityWritten{Fields: m.Fields, Reason: m.Reason, Note: cipherFromProto(m.Note)}
	case *eventv1.Fact_IdentityMerged:
		m := p.IdentityMerged
		return event.IdentityMerged{Into: m.Into, Reason: m.Reason, Note: cipherFromProto(m.Note)}
	case *eventv1.Fact_IdentityErased:
		return event.IdentityErased{Reason: p.IdentityErased.Reason}
	case *eventv1.Fact_ProgrammesDeclared:
		return event.ProgrammesDeclared{Programmes: programmesFromProto(p.ProgrammesDeclared.Programmes)}
	case *eventv1.Fact_SchemesDeclared:
		return event.SchemesDeclared{Schemes: decodeSchemes(p.SchemesDeclared.Schemes)}
	default:
		return nil
	}
}

func rolesFromProto(roles []*eventv1.RoleAt) []event.RoleAt {
	var out []event.RoleAt
	for _, r := range roles {
		out = append(out, event.RoleAt{Role: r.Role, Place: r.Place})
	}
	return out
}

func decodeSchemes(list []*eventv1.NumberScheme) []event.NumberScheme {
	var out []event.NumberScheme
	for _, s := range list {
		out = append(out, event.NumberScheme{
			ID: s.Id, Issuer: s.Issuer, Names: s.Names, Pattern: s.Pattern, Check: s.Check, Case: s.LetterCase, Zeros: s.Zeros, In: s.In,
			Framed: s.Framed, Ward: s.Ward, TubeType: s.TubeType, ReuseMs: s.ReuseMs,
		})
	}
	return out
}

func instants(ms []int64) []event.Instant {
	var out []event.Instant
	for _, t := range ms {
		out = append(out, event.Instant(t))
	}
	return out
}
