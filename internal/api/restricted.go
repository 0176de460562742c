package api

import (
	"slices"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/event"
)

// restrictedWord stands for a test whose name alone would tell something of a patient.
const restrictedWord = "restricted"

// MayNameTests reports whether somebody may see every test by its name: who works with
// requests and results. A screen that anybody passes may not, nor who only carries.
func MayNameTests(p *auth.Principal) bool {
	switch p.Kind {
	case auth.Anyone, auth.Machine:
		return true
	case auth.Person:
		return slices.ContainsFunc(p.Anywhere(), func(role string) bool {
			return slices.Contains([]string{event.RoleCollector, event.RoleReception, event.RoleScientist, event.RoleQuality}, role)
		})
	default:
		return false
	}
}

// restrict takes the names of restricted tests out of an answer, wherever it names one:
// a message with the field assay keeps only what is said of any test, a list of tests
// the word.
func restrict(m proto.Message, is func(code string) bool) {
	restrictIn(m.ProtoReflect(), is)
}

func restrictIn(m protoreflect.Message, is func(code string) bool) {
	fields := m.Descriptor().Fields()
	if fd := fields.ByName("assay"); fd != nil && fd.Kind() == protoreflect.StringKind && is(m.Get(fd).String()) {
		m.Set(fd, protoreflect.ValueOfString(restrictedWord))
		for _, name := range []protoreflect.Name{"name", "loinc", "rule", "say", "source", "limit", "replaced_by"} {
			if other := fields.ByName(name); other != nil {
				m.Clear(other)
			}
		}
	}
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case fd.IsMap():
		case fd.IsList() && fd.Message() != nil:
			for i := range v.List().Len() {
				restrictIn(v.List().Get(i).Message(), is)
			}
		case fd.IsList() && fd.Kind() == protoreflect.StringKind && fd.Name() == "tests":
			list := m.Mutable(fd).List()
			for i := range list.Len() {
				if is(list.Get(i).String()) {
					list.Set(i, protoreflect.ValueOfString(restrictedWord))
				}
			}
		case !fd.IsList() && fd.Message() != nil:
			restrictIn(v.Message(), is)
		}
		return true
	})
}

// asksRestricted reports whether a request names a restricted test.
func asksRestricted(m proto.Message, is func(code string) bool) bool {
	r := m.ProtoReflect()
	fd := r.Descriptor().Fields().ByName("test")
	return fd != nil && fd.Kind() == protoreflect.StringKind && is(r.Get(fd).String())
}
