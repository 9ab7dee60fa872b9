package record

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// missing skips the test where a tool is not there; where TACKLINE_REQUIRE is 1 it fails instead.
func missing(t *testing.T, tool string) {
	t.Helper()
	if _, err := exec.LookPath(tool); err == nil {
		return
	}
	if os.Getenv("TACKLINE_REQUIRE") == "1" {
		t.Fatalf("%s is not installed, and TACKLINE_REQUIRE=1 asks for it", tool)
	}
	t.Skipf("%s is not installed (Debian: poppler-utils)", tool)
}

func pdf(t *testing.T, j Job, paper Paper) []byte {
	t.Helper()
	var a, b bytes.Buffer
	require.NoError(t, WritePDF(&a, j, paper))
	require.NoError(t, WritePDF(&b, j, paper))
	require.Equal(t, a.Bytes(), b.Bytes(), "same facts, same bytes")
	return a.Bytes()
}

// outside runs a tool of poppler on a PDF: a reader that is not ours.
func outside(t *testing.T, data []byte, tool string, args ...string) string {
	t.Helper()
	missing(t, tool)
	path := filepath.Join(t.TempDir(), "record.pdf")
	require.NoError(t, os.WriteFile(path, data, 0o600))
	args = append(args, path)
	if tool == "pdftotext" {
		args = append(args, "-")
	}
	out, err := exec.CommandContext(t.Context(), tool, args...).CombinedOutput()
	require.NoError(t, err, string(out))
	return string(out)
}

// TestPDFSaysWhatThePageSays reads the PDF with poppler: every fact of the HTML is in its text, letters of three scripts among them, on the size of
// paper asked for, with a title, embedded fonts and an outline.
func TestPDFSaysWhatThePageSays(t *testing.T) {
	j := lapwing(60)
	j.Customer = "Łódź, Ελλάδα, Київ"
	data := pdf(t, j, A4)
	text := strings.Join(strings.Fields(outside(t, data, "pdftotext", "-layout")), " ")
	require.Contains(t, text, "Łódź, Ελλάδα, Київ")
	var page bytes.Buffer
	require.NoError(t, WriteHTML(&page, j))
	for _, fact := range []string{"Shed, boat, people and numbers are invented.", "Readings of 2:30 h are missing: the board had no power.", "Wed 14 Jan 2026 13:12, by Ida",
		"620 g mixed, resin at 18.5 C, in a tray, lot R12 / H9", "stalled: hard because it was cold", "90.4 %", "5:03", "20:16", "Wed 14 Jan 2026 17:40", "within the tack window",
		"12 flagged readings left out", "Not acknowledged.", "11.6 (meter, 12 Jan 2026)", "=foredeck", "not calibrated", "Tack is about to open."} {
		require.Contains(t, text, fact)
		require.Contains(t, page.String(), fact, "the two forms say the same")
	}
	for _, c := range cautions {
		require.Contains(t, text, c[:40])
	}
	require.Greater(t, strings.LastIndex(text, "licensed"), strings.Index(text, "How it was measured"), "cautions stand last")
	for _, word := range []string{"passed its", "complies", "compliant", "failed", "NaN", "\ufffd"} {
		require.NotContains(t, text, word)
	}

	info := outside(t, data, "pdfinfo")
	require.Regexp(t, `Title:\s+Cure record: Lapwing`, info)
	require.Regexp(t, `Page size:\s+595\.2\d x 841\.8\d pts \(A4\)`, info)
	require.Regexp(t, `Page size:\s+612 x 792 pts \(letter\)`, outside(t, pdf(t, j, Letter), "pdfinfo"))
	fonts := outside(t, data, "pdffonts")
	for _, line := range strings.Split(strings.TrimSpace(fonts), "\n")[2:] {
		require.Regexp(t, `yes\s+\w+\s+yes`, line, "embedded, with a map to Unicode")
	}
	require.Contains(t, string(data), "/Outlines")
	first, _, _ := strings.Cut(outside(t, data, "pdftotext", "-layout"), "\f")
	require.Contains(t, first, "In short")
	require.NotContains(t, first, "Coat 1:", "the summary has its page to itself")
}

// TestPDFPagesAreDrawn renders the pages with poppler: ink on each, none of it outside the margins.
func TestPDFPagesAreDrawn(t *testing.T) {
	missing(t, "pdftoppm")
	dir := t.TempDir()
	path := filepath.Join(dir, "r.pdf")
	require.NoError(t, os.WriteFile(path, pdf(t, lapwing(60), A4), 0o600))
	out, err := exec.CommandContext(t.Context(), "pdftoppm", "-r", "36", "-gray", path, filepath.Join(dir, "p")).CombinedOutput()
	require.NoError(t, err, string(out))
	pages, err := filepath.Glob(filepath.Join(dir, "p*.pgm"))
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(pages), 3)
	for _, p := range pages {
		w, h, grey := readPGM(t, p)
		const edge = 14 // 10 mm at 36 dots an inch, which no printer reaches
		inked := 0
		for y := range h {
			for x := range w {
				if grey[y*w+x] < 200 {
					inked++
					require.False(t, x < edge || x >= w-edge || y < edge || y >= h-edge/2, "%s: ink at %d, %d", filepath.Base(p), x, y)
				}
			}
		}
		require.Greater(t, inked, 300)
	}
}

func readPGM(t *testing.T, path string) (w, h int, grey []byte) {
	t.Helper()
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	var most int
	n, err := fmt.Sscanf(string(data[:30]), "P5\n%d %d\n%d\n", &w, &h, &most)
	require.NoError(t, err)
	require.Equal(t, 3, n)
	return w, h, data[len(data)-w*h:]
}

// TestPDFOfManyCoats: sixty coats of a day each stay a file that can be mailed.
func TestPDFOfManyCoats(t *testing.T) {
	j := many(60)
	var b bytes.Buffer
	require.NoError(t, WritePDF(&b, j, A4))
	t.Logf("60 coats: %.2f MB", float64(b.Len())/1e6)
	require.Less(t, b.Len(), 5_000_000)
	pages := strings.Split(outside(t, b.Bytes(), "pdftotext", "-layout"), "\f")
	require.Contains(t, pages[0], "In short")
	require.Contains(t, pages[0], "port topside, 60 coats")
	require.Contains(t, pages[1], "Coat 1: bedding on port topside", "the summary keeps to one page")
}

func many(n int) Job {
	j := lapwing(60)
	first := j.Coats[0]
	j.Coats = nil
	for i := range n {
		c := first
		c.ID = int64(100 + i)
		shift := time.Duration(i) * 30 * time.Hour
		c.Started, c.Ended = c.Started.Add(shift), c.Ended.Add(shift)
		c.Channels = nil
		for _, ch := range first.Channels {
			moved := ch
			moved.At = make([]int64, len(ch.At))
			for k, at := range ch.At {
				moved.At[k] = at + int64(shift/time.Second)
			}
			c.Channels = append(c.Channels, moved)
		}
		j.Coats = append(j.Coats, c)
	}
	return j
}

func BenchmarkPDF60Coats(b *testing.B) {
	j := many(60)
	for b.Loop() {
		var out bytes.Buffer
		if err := WritePDF(&out, j, A4); err != nil {
			b.Fatal(err)
		}
	}
}

// TestJobsThatCannotBeWritten: the same errors in every form, and paper that is none.
func TestJobsThatCannotBeWritten(t *testing.T) {
	var b bytes.Buffer
	bad := Job{Coats: []Coat{{ID: 3}}}
	require.ErrorContains(t, WritePDF(&b, bad, A4), "coat 3: no start")
	require.ErrorContains(t, WriteJSON(&b, bad), "coat 3: no start")
	require.ErrorContains(t, WritePDF(&b, lapwing(60), "A5"), "want A4 or Letter")
	require.Zero(t, b.Len())
	require.NoError(t, WritePDF(&b, Job{ID: 2, Name: "tender 🚤\x01", Shed: "Long shed"}, A4))
	require.NoError(t, WriteJSON(&b, Job{ID: 2, Name: "tender"}))
}

// TestJSON: a golden of the whole form, the same figures as the page, and null, never 0, for what is not known.
func TestJSON(t *testing.T) {
	var b bytes.Buffer
	require.NoError(t, WriteJSON(&b, lapwing(7200)))
	var indented bytes.Buffer
	require.NoError(t, json.Indent(&indented, b.Bytes(), "", "\t"))
	golden(t, "record.json", indented.Bytes())
	var m struct {
		Schema string
		Coats  []struct {
			Ended      *time.Time
			State      *string
			Conversion *float64
			Conditions []struct {
				Quantity string
				Min      *float64
			}
		}
		Alerts []struct{ Coat *int64 }
	}
	require.NoError(t, json.Unmarshal(b.Bytes(), &m))
	require.Equal(t, Schema, m.Schema)
	require.Nil(t, m.Coats[1].Ended)
	require.Nil(t, m.Coats[1].State)
	require.Nil(t, m.Coats[1].Conversion)
	require.Nil(t, m.Coats[1].Conditions[0].Min)
	require.Nil(t, m.Alerts[2].Coat)
	require.NotRegexp(t, regexp.MustCompile(`:null,"[a-z_]+":\[null`), b.String())
}
