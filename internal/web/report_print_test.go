package web

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"specimen.example/custody/internal/web/browsertest"
)

// poppler runs a program of poppler-utils on a PDF.
func poppler(t *testing.T, pdf []byte, name string, args ...string) string {
	t.Helper()
	if _, err := exec.LookPath(name); err != nil {
		t.Fatalf("%s is missing; install poppler-utils (make test does)", name)
	}
	file := filepath.Join(t.TempDir(), "printed.pdf")
	if err := os.WriteFile(file, pdf, 0o600); err != nil {
		t.Fatal(err)
	}
	for i, a := range args {
		if a == "FILE" {
			args[i] = file
		}
	}
	out, err := exec.CommandContext(t.Context(), name, args...).Output() //nolint:gosec // a file of this test
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return string(out)
}

var (
	pdfPages = regexp.MustCompile(`(?m)^Pages:\s+(\d+)$`)
	pdfSize  = regexp.MustCompile(`(?m)^Page size:\s+([\d.]+) x ([\d.]+) pts`)
)

// sheets is how many there are, and how wide and high in points.
func sheets(t *testing.T, pdf []byte) (n int, w, h float64) {
	t.Helper()
	info := poppler(t, pdf, "pdfinfo", "FILE")
	pages, size := pdfPages.FindStringSubmatch(info), pdfSize.FindStringSubmatch(info)
	if pages == nil || size == nil {
		t.Fatalf("pdfinfo says %s", info)
	}
	var err error
	if n, err = strconv.Atoi(pages[1]); err != nil {
		t.Fatal(err)
	}
	if _, err := fmt.Sscan(size[1]+" "+size[2], &w, &h); err != nil {
		t.Fatal(err)
	}
	return n, w, h
}

// unspaced is a text without what breaks its lines.
func unspaced(s string) string { return strings.Join(strings.Fields(s), "") }

// ISO 216: A4 is 210 x 297 mm, 595.3 x 841.9 points.
const a4Width, a4Height = 595, 842

// A tube's page is one sheet of A4, with all of its story. The extreme one is not.
func TestTubePrintsOnOneSheet(t *testing.T) {
	base := gallery(t)
	printer := browsertest.Open(t, "", browsertest.Look{Dark: true})
	for _, s := range Stories() {
		if s.tube == nil || s.fault != nil || s.Name == "tube-long-history" {
			continue
		}
		p := s.tube()
		printer.Navigate(base + "/" + s.Name + s.Path)
		pdf := printer.PDF()
		n, w, h := sheets(t, pdf)
		if n != 1 || w < a4Width-2 || w > a4Width+2 || h < a4Height-2 || h > a4Height+2 {
			t.Errorf("%s: %d sheets of %v x %v points, want one of A4", s.Name, n, w, h)
		}
		text := unspaced(poppler(t, pdf, "pdftotext", "-layout", "FILE", "-"))
		want := []string{p.ID, "Advises only.", fmt.Sprintf("log position %d", p.Seq)}
		for _, st := range p.Steps {
			want = append(want, st.Step, st.By)
		}
		for _, x := range p.Tests {
			want = append(want, strings.Fields(testName(x.Name, x.Restricted))...) // the name breaks in its column
		}
		for _, k := range p.Kin {
			want = append(want, k.ID)
		}
		for _, one := range want {
			if !strings.Contains(text, unspaced(one)) {
				t.Errorf("%s: %q is not on paper", s.Name, one)
			}
		}
	}
}

// A report is A4 across; each sheet has a foot with what it is of, where the log stood and
// which sheet of how many it is, and a table that goes on begins with its heads again.
func TestReportPrints(t *testing.T) {
	base := gallery(t)
	printer := browsertest.Open(t, "", browsertest.Look{Dark: true})
	for _, s := range Stories() {
		if s.report == nil || wantStatus[s.Name] != 0 {
			continue
		}
		r := s.report()
		printer.Navigate(base + "/" + s.Name + s.Path)
		pdf := printer.PDF()
		n, w, h := sheets(t, pdf)
		if w < a4Height-2 || w > a4Height+2 || h < a4Width-2 || h > a4Width+2 {
			t.Errorf("%s: sheets of %v x %v points, want A4 across", s.Name, w, h)
		}
		if long := s.Name == "report-tube-long"; long != (n > 4) || !long && n > 3 {
			t.Errorf("%s: %d sheets", s.Name, n)
		}
		all := ""
		for i := 1; i <= n; i++ {
			text := poppler(t, pdf, "pdftotext", "-layout", "-f", fmt.Sprint(i), "-l", fmt.Sprint(i), "FILE", "-")
			all += unspaced(text)
			foot := fmt.Sprintf("%s · log position %d · 2026-11-24 09:06:00 UTC", r.Name, r.Seq)
			if !strings.Contains(unspaced(text), unspaced(foot)) || !strings.Contains(unspaced(text), unspaced(fmt.Sprintf("page %d of %d", i, n))) {
				t.Errorf("%s: sheet %d has no foot:\n%s", s.Name, i, text)
			}
			if s.Name == "report-tube-long" && i > 2 && i < n && !strings.Contains(unspaced(text), "EntryHappenedRecorded") {
				t.Errorf("sheet %d of the long table has no heads", i)
			}
		}
		for _, e := range append(append([]ReportStep(nil), r.Steps...), r.Beside...) {
			if !strings.Contains(all, unspaced(e.ID)) {
				t.Errorf("%s: entry %d is not on paper", s.Name, e.Seq)
			}
		}
		if strings.Contains(all, "Printthisreport") || !strings.Contains(all, unspaced("What this report can't say")) {
			t.Errorf("%s: a button is printed, or its limits are not", s.Name)
		}
	}
}
