package dashboard_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"tackline/daemon"
	"tackline/dashboard"
)

// simulated runs the unchanged daemon over an invented shed, and gives its address on loopback, and by the board's own name as a phone in the
// shed's network has it.
func simulated(t *testing.T) (loopback, byName string) {
	t.Helper()
	d, err := daemon.NewDemo(t.Context(), daemon.DemoOptions{Seed: 1, Speed: 20, Folder: t.TempDir(), Listen: "127.0.0.1:0"})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.WithoutCancel(t.Context()))
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	t.Cleanup(func() { cancel(); require.NoError(t, <-done) })
	_, port, err := net.SplitHostPort(d.Addr())
	require.NoError(t, err)
	return "http://" + d.Addr(), "http://" + net.JoinHostPort(dashboard.BoardName(), port)
}

// has waits until words stand on the page.
func has(t *testing.T, b dashboard.Browser, words string) {
	t.Helper()
	b.Until(t, words, fmt.Sprintf(`(document.querySelector("main")?.textContent || "").replace(/\s+/g, " ").includes(%q)`, words))
}

// hands are a way of acting on a page: everything that the story does goes through them.
type hands interface {
	pair(t *testing.T, shed, code string) // comes to the page on which a code is used
	on(t *testing.T, selector, words string)
	pick(t *testing.T, selector, words string) // one of several choices
	write(t *testing.T, selector, text string)
}

func TestStoryByTouch(t *testing.T) {
	onBothScreens(t, func(b dashboard.Browser) hands { return finger{b} }, chromedp.EmulateTouch)
}

func TestStoryByKeyboard(t *testing.T) {
	onBothScreens(t, func(b dashboard.Browser) hands { return keys{b} })
}

func onBothScreens(t *testing.T, with func(dashboard.Browser) hands, more ...chromedp.EmulateViewportOption) {
	for _, size := range [][2]int64{{390, 844}, {1280, 800}} {
		t.Run(fmt.Sprint(size[0]), func(t *testing.T) {
			b, how := dashboard.OpenBrowser(t), slices.Clone(more)
			if size[0] == 390 {
				how = append(how, chromedp.EmulateMobile, chromedp.EmulatePortrait)
			}
			b.Do(t, chromedp.EmulateViewport(size[0], size[1], how...))
			story(t, b, with(b))
		})
	}
}

// The whole story of a small job: paired by its code, a job with a piece and its sequence, when to start and what if, a batch, a coat, touches, an undo,
// a photo, and the record that is left of it. The board goes by its own name on plain http, as it does for a phone in the shed.
func story(t *testing.T, b dashboard.Browser, h hands) {
	loopback, shed := simulated(t)
	host := strings.TrimPrefix(shed, "http://")
	b.Do(t, chromedp.Navigate(shed+"/book"))
	require.False(t, b.Bool(t, "isSecureContext"))
	require.False(t, b.Bool(t, `document.querySelector("main form")`), "a phone that is not paired only reads")

	res, err := http.Post(loopback+"/api/v1/pairings", "application/json", strings.NewReader(`{"phone": "glove phone"}`))
	require.NoError(t, err)
	defer res.Body.Close()
	var offer struct{ Code string }
	require.NoError(t, json.NewDecoder(res.Body).Decode(&offer))
	h.pair(t, shed, offer.Code)
	require.Empty(t, b.Targets(t))
	h.write(t, "#name", "Wren")
	h.on(t, "button", "Pair this phone")
	b.Until(t, "the shed", `location.pathname === "/" && !location.href.includes("`+offer.Code+`")`)

	// A job and a piece.
	h.on(t, ".foot nav a", "Job book")
	h.on(t, "#job-new > summary", "A new job")
	h.write(t, "#job-name", "Sandpiper's dinghy")
	h.on(t, "#job-new button", "Begin the job")
	h.on(t, "a.open", "Sandpiper's dinghy")
	h.write(t, "#piece-name", "rudder blade")
	h.write(t, "#piece-thickness", "18")
	h.on(t, "#piece-new button", "Add the piece")
	h.on(t, "a.row", "rudder blade")

	// Its sequence, from a usual one, and a reading of the meter.
	h.pick(t, "label.choice", "bare timber")
	h.on(t, "#templates button", "Look at it")
	has(t, b, "Not kept yet")
	h.on(t, "#steps-edit button", "Keep the sequence")
	b.Until(t, "the sequence", `document.querySelectorAll(".course li").length === 2`)
	require.Empty(t, b.Targets(t))
	h.on(t, "#meter > summary", "Enter a reading")
	h.write(t, "#meter-pct", "10,5")
	h.on(t, "#meter button", "Keep it")
	has(t, b, "10.5 % by meter")

	// When to start, and what if.
	h.on(t, "a.button", "When to start")
	b.Until(t, "the plan", `location.pathname === "/plan"`)
	b.Settled(t)
	has(t, b, "rudder blade")
	h.on(t, "#try > summary", "Try something")
	h.pick(t, "#try label.choice", "heated tent")
	h.write(t, "#if-value", "5")
	h.on(t, "#try button", "Try it")
	b.Until(t, "the what-if", `location.search.includes("value=5")`)
	b.Settled(t)

	// The coat of the next step, with its batch poured over and used up.
	h.on(t, ".foot nav a", "Job book")
	h.on(t, "a.row", "rudder blade")
	h.on(t, "a.button", "Start a seal coat")
	b.Until(t, "the kind of the step", `document.querySelector("[name=kind]:checked")?.value === "seal"`)
	h.write(t, "#amount", "180")
	h.pick(t, "label.choice:has([value=pot])", "pot")
	h.on(t, "form.new button", "The coat is on")
	has(t, b, "180 g of Medium")
	h.on(t, "button", "Poured into the tray")
	has(t, b, "in the tray")
	h.on(t, "button", "used up")
	b.Until(t, "no batch", `!document.querySelector(".batch")`)

	// Touches, one of them by mistake.
	ours := b.Text(t, `[...document.querySelectorAll(".coat")].find((c) => c.textContent.includes("Seal coat on rudder blade")).id`)
	h.on(t, "#"+ours+" button[name=state]", "wet")
	has(t, b, "Last: wet at")
	h.on(t, ".foot nav a", "Job book")
	h.on(t, "#lately > summary", "Last said")
	h.on(t, "#lately button", "Undo")
	has(t, b, "Undone, by entry")
	require.Equal(t, "Touch", b.Text(t, `document.querySelector("#lately .undone b").textContent`))

	// A photo of the piece.
	h.on(t, "a.row", "rudder blade")
	h.on(t, "#photo-piece > summary", "Add a photo")
	var pic bytes.Buffer
	require.NoError(t, jpeg.Encode(&pic, image.NewGray(image.Rect(0, 0, 2600, 1200)), nil))
	file := filepath.Join(t.TempDir(), "blade.jpg")
	require.NoError(t, os.WriteFile(file, pic.Bytes(), 0o644))
	b.Do(t, chromedp.SetUploadFiles(chromedp.CSS("#photo-file-piece"), []string{file}))
	h.write(t, "#photo-caption-piece", "the blade, sealed")
	h.on(t, "#photo-piece button", "Keep the photo")
	b.Until(t, "the photo, made smaller", `[...document.querySelectorAll(".photos img")].some((i) => i.naturalWidth === 2000 && i.alt === "the blade, sealed")`)

	// The end of the coat, and the record.
	h.on(t, ".foot nav a", "Coats")
	b.Until(t, "the coat", `[...document.querySelectorAll(".coat")].some((c) => c.textContent.includes("Seal coat on rudder blade"))`)
	h.on(t, "#"+ours+" summary", "End this coat")
	b.Until(t, "the button", `[...document.querySelectorAll("details[open] button")].some((x) => x.textContent === "End it now")`)
	h.on(t, "details[open] button", "End it now")
	b.Until(t, "a finished coat", `[...document.querySelectorAll(".finished li")].some((c) => c.textContent.includes("Seal coat on rudder blade"))`)
	b.Quiet(t, host)
	link := b.Text(t, `[...document.querySelectorAll(".finished li")].find((c) => c.textContent.includes("rudder blade")).querySelector("a").getAttribute("href")`)
	page, err := http.Get(loopback + link)
	require.NoError(t, err)
	defer page.Body.Close()
	text, err := io.ReadAll(page.Body)
	require.NoError(t, err)
	require.Equal(t, http.StatusOK, page.StatusCode)
	require.Contains(t, string(text), "rudder blade")
	require.Contains(t, string(text), "Wren")
}
