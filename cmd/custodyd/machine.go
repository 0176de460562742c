package main

// machine is what doctor can see of the machine; nil or 0 where it can't.
type machine struct {
	disk   *diskRoom
	clock  *clockKeeping
	memory uint64 // bytes, of the machine or of the container where that has a limit
}

// diskRoom is the file system of the data folder, in bytes. Free is what this
// process may still write.
type diskRoom struct{ free, total uint64 }

// clockKeeping is what the system says of its own clock.
type clockKeeping struct {
	kept    bool
	errorMs int64
}
