package api

import (
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"
)

// requests are the input messages of every method, with the messages inside.
func requests() map[protoreflect.FullName]protoreflect.MessageDescriptor {
	out := map[protoreflect.FullName]protoreflect.MessageDescriptor{}
	var add func(md protoreflect.MessageDescriptor)
	add = func(md protoreflect.MessageDescriptor) {
		if out[md.FullName()] != nil || md.IsMapEntry() {
			return
		}
		out[md.FullName()] = md
		for i := range md.Fields().Len() {
			if inner := md.Fields().Get(i).Message(); inner != nil {
				add(inner)
			}
		}
	}
	for _, file := range files() {
		for i := range file.Services().Len() {
			methods := file.Services().Get(i).Methods()
			for j := range methods.Len() {
				add(methods.Get(j).Input())
			}
		}
	}
	return out
}

func TestEveryFieldHasACheck(t *testing.T) {
	known := map[protoreflect.FullName]bool{}
	for _, md := range requests() {
		for i := range md.Fields().Len() {
			fd := md.Fields().Get(i)
			known[fd.FullName()] = true
			if fd.Message() != nil && !fd.IsMap() {
				continue // its fields are walked
			}
			if checkOf(fd) == nil {
				t.Errorf("%s has no check; give it one in fields.go, or `sound` if every value of its type is meant", fd.FullName())
			}
		}
	}
	for name := range byField {
		if !known[name] {
			t.Errorf("byField speaks of %s, which no request has", name)
		}
	}
	for name := range required {
		if !known[name] {
			t.Errorf("required speaks of %s, which no request has", name)
		}
	}
	for name := range mostOf {
		if !known[name] {
			t.Errorf("mostOf speaks of %s, which no request has", name)
		}
	}
}

// A body's error position counts characters, so that a name written with an
// umlaut before it does not move the blame to another field.
func TestFieldAtNamesTheFieldAtAPosition(t *testing.T) {
	body := "{\"scans\":[\n{\"by\":\"Zoë Müller-Øst\",\"id\":5,\"clock\":{\"bootId\":7}}]}"
	for _, tc := range []struct {
		line, column int
		want         string
	}{
		{1, 2, "scans"},
		{2, 1, "scans[0]"},
		{2, 24, "scans[0].id"}, // on the name
		{2, 29, "scans[0].id"}, // on the value
		{2, 49, "scans[0].clock.bootId"},
		{9, 9, ""},
	} {
		if got := fieldAt([]byte(body), tc.line, tc.column); got != tc.want {
			t.Errorf("line %d, column %d: %q, want %q", tc.line, tc.column, got, tc.want)
		}
	}
}
