package rehearse

import (
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// Plain gives an error of the API as a person reads it: what is wrong, then each
// field with its remedy. It keeps its code: status.Code reads it. Other errors,
// and nil, come back as they are.
func Plain(err error) error {
	st, ok := status.FromError(err)
	if !ok || st.Code() == codes.OK {
		return err
	}
	return plainError{st}
}

type plainError struct{ st *status.Status }

// GRPCStatus lets status.Code and status.Convert see through.
func (e plainError) GRPCStatus() *status.Status { return e.st }

// Error names each field once: a server may have put it into its message too.
func (e plainError) Error() string {
	parts := []string{e.st.Message()}
	for _, detail := range e.st.Details() {
		bad, ok := detail.(*errdetails.BadRequest)
		if !ok {
			continue
		}
		for _, v := range bad.FieldViolations {
			if line := v.Field + ": " + v.Description; !strings.Contains(parts[0], line) {
				parts = append(parts, line)
			}
		}
	}
	return strings.Join(parts, "; ")
}
