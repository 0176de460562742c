package api

import (
	"context"
	"errors"
	"slices"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/custody"
	"specimen.example/custody/internal/event"
	"specimen.example/custody/internal/identity"
	"specimen.example/custody/internal/intake"
	"specimen.example/custody/internal/label"
	custodyv1 "specimen.example/custody/proto/custody/v1"
)

// view says who looks at an identity now, and why.
func view(ctx context.Context, by, why, about string) identity.View {
	p := auth.From(ctx)
	v := identity.View{By: by, Principal: signerID(p), Device: p.Device, Place: p.Place, Why: why, About: about}
	if v.By == "" && v.Principal == "" {
		v.By = "anyone" // where nobody is asked to sign in
	}
	if roles := p.Anywhere(); len(roles) > 0 {
		v.Role = roles[0]
	}
	return v
}

// fieldNames are the API's names of a record's fields.
var fieldNames = map[string]string{identity.FieldBirth: "birthDate"}

func fieldName(name string) string {
	if n, ok := fieldNames[name]; ok {
		return n
	}
	return name
}

// identityError turns what the store says into a code. It repeats no number.
func identityError(err error) error {
	var field *identity.FieldError
	switch {
	case err == nil:
		return nil
	case errors.As(err, &field):
		return violations(violation{fieldName(field.Field), field.Say})
	case errors.Is(err, identity.ErrErased):
		return status.Error(codes.NotFound, "this identity was erased; nobody can say any more who it was")
	case errors.Is(err, identity.ErrUnknown):
		return notFound("nobody is known here by that; write the patient first, or check the number")
	case errors.Is(err, identity.ErrNoRingKey):
		return notFound("it can't be read: the key that wrapped it has left the ring; this log comes from a backup that is too old for that, or the ring's last copy must be put back")
	default:
		return logError(err)
	}
}

func identityMessage(ref string, p identity.Person) *custodyv1.Identity {
	return &custodyv1.Identity{
		Reference: ref, Number: p.Number, NumberEnds: identity.Ends(p.Number), Name: p.Name(), Family: p.Family, Given: p.Given,
		BirthDate: p.Birth, Sex: p.Sex, Place: p.Place, Bed: p.Bed,
	}
}

// patientKey is the aggregate of a reference.
func patientKey(reference string) (custody.Target, error) {
	key, err := event.LocalKey(reference)
	return custody.Target{Kind: event.KindPatient, Key: key}, err
}

// note writes a fact of a reference's identity into the log.
func (s *Server) note(ctx context.Context, reference, scanID, by string, fact event.Fact) error {
	target, err := patientKey(reference)
	if err != nil {
		return err
	}
	if scanID == "" {
		scanID = newID()
	}
	_, err = s.Desk.Write(ctx, intake.Entry{ID: scanID, Target: target, Facts: []event.Fact{fact}, By: by})
	return logError(err)
}

// patientNumber reads a number that was scanned or typed. No error repeats it.
func (s *Server) patientNumber(field, text string) (string, error) {
	r, err := s.Model.Schemes().Read(label.Input{Raw: []byte(text), At: s.Clock.Now(), Want: []label.Thing{label.Patient}})
	var refused *label.Refusal
	if errors.As(err, &refused) {
		return "", violations(violation{field, refused.Words()})
	}
	return r.Text, err
}

// WritePatient writes or corrects an identity. The fact comes first: sent again under
// its id after a break, it is one fact, and the store is put right.
func (s *Server) WritePatient(ctx context.Context, req *custodyv1.WritePatientRequest) (*custodyv1.Identity, error) {
	number, err := s.patientNumber("patient", req.GetPatient())
	if err != nil {
		return nil, err
	}
	person := identity.Person{
		Family: req.GetFamily(), Given: req.GetGiven(), Birth: req.GetBirthDate(), Sex: req.GetSex(), Place: event.Spelled(req.GetPlace()), Bed: req.GetBed(),
	}
	ref, old, err := s.Identity.Find(ctx, view(ctx, req.GetBy(), "correction", ""), number)
	switch {
	case errors.Is(err, identity.ErrUnknown):
		old = identity.Person{}
		if ref, err = s.Desk.Reference(ctx, number); err != nil {
			return nil, logError(err)
		}
	case err != nil:
		return nil, identityError(err)
	}
	person.Number = number
	if old.Number != "" {
		person.Number = old.Number
	}
	var changed []string
	for _, m := range identity.Compare(old, person) {
		if slices.ContainsFunc(append(slices.Clone(m.A), m.B...), func(p identity.Part) bool { return p.Differs }) {
			changed = append(changed, fieldName(m.Field))
		}
	}
	if old != (identity.Person{}) && len(changed) > 0 && req.GetReason() == "" {
		return nil, violations(violation{"reason", "something is changed that was written before; say why"})
	}
	if len(changed) > 0 {
		reason, note, err := s.Desk.ReasonOf(ctx, "patient "+ref, req.GetReason())
		if err != nil {
			return nil, logError(err)
		}
		if err := s.note(ctx, ref, req.GetScanId(), req.GetBy(), event.IdentityWritten{Fields: changed, Reason: reason, Note: note}); err != nil {
			return nil, err
		}
	}
	if _, err := s.Identity.Write(ctx, number, person); err != nil {
		return nil, identityError(err)
	}
	m := identityMessage(ref, person)
	m.Changed = changed
	return m, nil
}

// referenceOf finds the reference that a request names by exactly one of its ways.
func (s *Server) referenceOf(ctx context.Context, req *custodyv1.LookPatientRequest) (ref, about string, err error) {
	said := 0
	for _, text := range []string{req.GetPatient(), req.GetReference(), req.GetTube(), req.GetRequest()} {
		if text != "" {
			said++
		}
	}
	if said != 1 {
		return "", "", violations(violation{"patient", "name one of patient, reference, tube and request"})
	}
	switch {
	case req.GetReference() != "":
		return req.GetReference(), "", nil
	case req.GetTube() != "":
		named, err := s.find("tube", label.Input{Raw: []byte(req.GetTube())}, event.KindTube)
		if err != nil {
			return "", "", err
		}
		if v, ok := s.Model.View(named.Key); ok {
			ref = v.Tube.Patient
		}
		return ref, "tube " + string(named.Key), nil
	case req.GetRequest() != "":
		key, err := s.key("request", req.GetRequest(), event.KindRequest)
		if err != nil {
			return "", "", err
		}
		s.Model.World(func(w *custody.World) {
			if r, ok := w.Request(key); ok {
				ref = r.Patient
			}
		})
		return ref, "request " + string(key), nil
	}
	return "", "", nil
}

// LookPatient shows one identity.
func (s *Server) LookPatient(ctx context.Context, req *custodyv1.LookPatientRequest) (*custodyv1.Identity, error) {
	ref, about, err := s.referenceOf(ctx, req)
	if err != nil {
		return nil, err
	}
	v := view(ctx, req.GetBy(), req.GetWhy(), about)
	var person identity.Person
	if req.GetPatient() != "" {
		number, nerr := s.patientNumber("patient", req.GetPatient())
		if nerr != nil {
			return nil, nerr
		}
		ref, person, err = s.Identity.Find(ctx, v, number)
	} else {
		if ref == "" {
			return nil, notFound("no patient is known of it")
		}
		person, err = s.Identity.Look(ctx, v, ref)
	}
	if err != nil {
		return nil, identityError(err)
	}
	return identityMessage(ref, person), nil
}

// WorkList shows the patients of a place that a request waits for. A row is no
// identification: a draw begun from it waits for the wristband.
func (s *Server) WorkList(ctx context.Context, req *custodyv1.WorkListRequest) (*custodyv1.WorkListResponse, error) {
	rows, err := s.waitingAt(ctx, event.Spelled(req.GetPlace()), req.GetBy())
	if err != nil {
		return nil, err
	}
	resp := &custodyv1.WorkListResponse{}
	for _, row := range rows {
		resp.Rows = append(resp.Rows, row.Identity)
	}
	return resp, nil
}

// waitingRow is a patient whom a request waits for, as a list shows it, beside the number
// that no list shows.
type waitingRow struct {
	*custodyv1.Identity
	number string
}

// waitingAt gives the patients of a place that a request waits for, once it is recorded
// that they are shown.
func (s *Server) waitingAt(ctx context.Context, place, by string) ([]waitingRow, error) {
	waiting := map[string][]string{}
	s.Model.World(func(w *custody.World) { waiting = w.Waiting() })
	var all []string
	for ref := range waiting {
		all = append(all, ref)
	}
	slices.Sort(all)
	here, err := s.Identity.LyingAt(ctx, place, all)
	if err != nil {
		return nil, identityError(err)
	}
	rows, err := s.Identity.LookAll(ctx, view(ctx, by, "work-list", ""), here)
	if err != nil {
		return nil, identityError(err)
	}
	rows = slices.DeleteFunc(rows, func(l identity.Looked) bool { return l.Err != nil }) // erased this moment
	people := make([]identity.Person, len(rows))
	for i := range rows {
		people[i] = rows[i].Person
	}
	same := identity.SameNames(people)
	var out []waitingRow
	for i, l := range rows {
		m := identityMessage(l.Reference, l.Person)
		m.Number = "" // the wristband says it, no list
		m.SameName = same[i]
		m.Requests = waiting[l.Reference]
		out = append(out, waitingRow{m, l.Person.Number})
	}
	slices.SortFunc(out, func(a, b waitingRow) int {
		return strings.Compare(a.GetBed()+"\x00"+a.GetName()+"\x00"+a.GetReference(), b.GetBed()+"\x00"+b.GetName()+"\x00"+b.GetReference())
	})
	return out, nil
}

// MergePatients says that two numbers are one person.
func (s *Server) MergePatients(ctx context.Context, req *custodyv1.MergePatientsRequest) (*custodyv1.Identity, error) {
	var refs [2]string
	for i, f := range []struct{ name, text string }{{"keep", req.GetKeep()}, {"gone", req.GetGone()}} {
		number, err := s.patientNumber(f.name, f.text)
		if err != nil {
			return nil, err
		}
		if refs[i], err = s.Desk.Reference(ctx, number); err != nil {
			return nil, logError(err)
		}
	}
	if refs[0] != refs[1] {
		reason, note, err := s.Desk.ReasonOf(ctx, "patient "+refs[1], req.GetReason())
		if err != nil {
			return nil, logError(err)
		}
		if err := s.note(ctx, refs[1], req.GetScanId(), req.GetBy(), event.IdentityMerged{Into: refs[0], Reason: reason, Note: note}); err != nil {
			return nil, err
		}
		if err := s.Identity.Merge(ctx, refs[0], refs[1]); err != nil {
			return nil, identityError(err)
		}
	}
	person, err := s.Identity.Look(ctx, view(ctx, req.GetBy(), "correction", ""), refs[0])
	if errors.Is(err, identity.ErrUnknown) {
		return &custodyv1.Identity{Reference: refs[0]}, nil // numbers alone were known
	}
	if err != nil {
		return nil, identityError(err)
	}
	return identityMessage(refs[0], person), nil
}

// ErasePatient destroys an identity. The fact comes first: whatever breaks off is
// finished by the next start, and after a restore it is erased again.
func (s *Server) ErasePatient(ctx context.Context, req *custodyv1.ErasePatientRequest) (*custodyv1.ErasePatientResponse, error) {
	if (req.GetPatient() == "") == (req.GetReference() == "") {
		return nil, violations(violation{"patient", "name the patient by number or by reference"})
	}
	if !event.IsReasonWord(req.GetReason()) {
		return nil, violations(violation{"reason", "use a word of the reason list: what is written here stays for ever"})
	}
	ref := req.GetReference()
	if req.GetPatient() != "" {
		number, err := s.patientNumber("patient", req.GetPatient())
		if err != nil {
			return nil, err
		}
		if ref, err = s.Identity.Known(ctx, number); err != nil {
			return nil, identityError(err)
		}
	}
	if err := s.note(ctx, ref, req.GetScanId(), req.GetBy(), event.IdentityErased{Reason: req.GetReason()}); err != nil {
		return nil, err
	}
	if err := s.EraseIdentity(ctx, ref); err != nil {
		return nil, identityError(err)
	}
	return &custodyv1.ErasePatientResponse{Reference: ref, BackupsDays: int64(s.Identity.BackupsReadableFor())}, nil
}

// EraseIdentity destroys what the log says is erased: the identity, and the free texts
// of everything that was the patient's. Why a reference was corrected or merged is such a
// text too, of each reference that the patient ever had.
func (s *Server) EraseIdentity(ctx context.Context, ref string) error {
	abouts := []string{"patient " + ref}
	s.Model.World(func(w *custody.World) {
		for _, t := range w.OfPatient(ref) {
			abouts = append(abouts, string(t.Kind)+" "+t.Key.Label(), string(t.Kind)+" "+string(t.Key))
		}
		stands := w.Patient(ref)
		for _, key := range w.Keys(event.KindPatient) {
			if other := key.Label(); other != ref && w.Patient(other) == stands {
				abouts = append(abouts, "patient "+other)
			}
		}
	})
	for _, about := range abouts {
		if err := s.Identity.ForgetText(ctx, about); err != nil {
			return err
		}
	}
	err := s.Identity.Erase(ctx, ref)
	if errors.Is(err, identity.ErrUnknown) {
		return nil
	}
	return err
}

// ListViews tells who looked at an identity.
func (s *Server) ListViews(ctx context.Context, req *custodyv1.ListViewsRequest) (*custodyv1.ListViewsResponse, error) {
	if (req.GetPatient() == "") == (req.GetReference() == "") {
		return nil, violations(violation{"patient", "name the patient by number or by reference"})
	}
	ref := req.GetReference()
	if req.GetPatient() != "" {
		number, err := s.patientNumber("patient", req.GetPatient())
		if err != nil {
			return nil, err
		}
		if ref, err = s.Identity.Known(ctx, number); err != nil {
			return nil, identityError(err)
		}
	}
	list, err := s.Identity.Views(ctx, ref)
	if err != nil {
		return nil, identityError(err)
	}
	resp := &custodyv1.ListViewsResponse{Reference: ref}
	for _, v := range list {
		by := v.Principal
		if by == "" {
			by = v.By
		}
		resp.Views = append(resp.Views, &custodyv1.View{At: stamp(v.At), By: by, Role: v.Role, Device: v.Device, Place: v.Place, Why: v.Why, About: v.About})
	}
	return resp, nil
}

// mismatched sets the two records of an identity mismatch side by side for whoever may
// see them, once it is recorded that they are shown. Nothing else depends on it: a
// refusal stands without names.
func (s *Server) mismatched(ctx context.Context, a *intake.Answer) []*custodyv1.Identity {
	rule := who["Patients/LookPatient"]
	if len(a.Patients) != 2 || rule.Check(auth.From(ctx)) != nil {
		return nil
	}
	about := ""
	if a.Target.Key != "" {
		about = string(a.Target.Kind) + " " + string(a.Target.Key)
	}
	looked, err := s.Identity.LookAll(ctx, view(ctx, "", "mismatch", about), a.Patients)
	if err != nil {
		s.Logger.Warn("the records of an identity mismatch were not shown", "error", err)
		return nil
	}
	out := []*custodyv1.Identity{{Reference: a.Patients[0]}, {Reference: a.Patients[1]}}
	for i, l := range looked {
		switch {
		case l.Err == nil:
			out[i] = identityMessage(l.Reference, l.Person)
		case errors.Is(l.Err, identity.ErrErased):
			out[i].Erased = true
		}
	}
	for _, m := range identity.Compare(looked[0].Person, looked[1].Person) {
		for i, parts := range [][]identity.Part{m.A, m.B} {
			field := &custodyv1.MarkedField{Field: fieldName(m.Field)}
			for _, p := range parts {
				field.Parts = append(field.Parts, &custodyv1.MarkedPart{Text: p.Text, Differs: p.Differs})
			}
			out[i].Marked = append(out[i].Marked, field)
		}
	}
	return out
}
