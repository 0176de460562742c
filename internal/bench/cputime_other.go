//go:build !linux

package main

import "time"

var began = time.Now()

// threadTime is the time of the wall where a thread's own isn't known: other work on
// the machine counts too.
func threadTime() time.Duration { return time.Since(began) }
