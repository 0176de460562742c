package main

import (
	"os"
	"strconv"
	"strings"
	"syscall"
)

// Of adjtimex(2): the clock is not kept, and status bits that say so.
const (
	clockError   = 5    // TIME_ERROR
	statusUnkept = 0x40 // STA_UNSYNC
)

// memoryFile is the memory limit of the container that the process is in (cgroup v2).
const memoryFile = "/sys/fs/cgroup/memory.max"

func lookAtMachine(dir string) machine {
	var m machine
	var fs syscall.Statfs_t
	if syscall.Statfs(dir, &fs) == nil && fs.Bsize > 0 {
		m.disk = &diskRoom{free: fs.Bavail * uint64(fs.Bsize), total: fs.Blocks * uint64(fs.Bsize)}
	}
	var t syscall.Timex // with no mode set it only asks
	if state, err := syscall.Adjtimex(&t); err == nil {
		m.clock = &clockKeeping{kept: state != clockError && t.Status&statusUnkept == 0, errorMs: t.Maxerror / 1000}
	}
	var info syscall.Sysinfo_t
	if syscall.Sysinfo(&info) == nil {
		m.memory = info.Totalram * uint64(info.Unit)
	}
	if text, err := os.ReadFile(memoryFile); err == nil {
		if limit, err := strconv.ParseUint(strings.TrimSpace(string(text)), 10, 64); err == nil && limit < m.memory { // else "max"
			m.memory = limit
		}
	}
	return m
}
