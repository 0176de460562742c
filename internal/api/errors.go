package api

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// violation is one field and what to do about it.
type violation struct{ field, say string }

// violations is INVALID_ARGUMENT (400) with the fields in its details. The message
// repeats them, for those who read only that.
func violations(vs ...violation) error {
	slices.SortStableFunc(vs, func(a, b violation) int { return cmp.Compare(a.field, b.field) })
	bad := &errdetails.BadRequest{}
	var text []string
	for _, v := range vs {
		bad.FieldViolations = append(bad.FieldViolations, &errdetails.BadRequest_FieldViolation{Field: v.field, Description: v.say})
		text = append(text, v.field+": "+v.say)
	}
	st := status.New(codes.InvalidArgument, strings.Join(text, "; "))
	if with, err := st.WithDetails(bad); err == nil {
		st = with
	}
	return st.Err()
}

func notFound(format string, args ...any) error {
	return status.Error(codes.NotFound, fmt.Sprintf(format, args...))
}

// notSaved is UNAVAILABLE (503): nothing is promised, the sender keeps it.
func notSaved(say string) error { return status.Error(codes.Unavailable, say) }
