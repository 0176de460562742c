package api

import "google.golang.org/protobuf/reflect/protoreflect"

// Required tells the outside tests which fields must be given.
func Required(fd protoreflect.FieldDescriptor) bool { return required[fd.FullName()] }

// MostOf tells the outside tests how long a list may be.
func MostOf(fd protoreflect.FieldDescriptor) int { return cmpMost(fd) }

// Files tells the outside tests where the services are described.
func Files() []protoreflect.FileDescriptor { return files() }
