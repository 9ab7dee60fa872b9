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

// tapOn taps the first element that has these words, where it stands at that moment: the page may be made anew at any.
func tapOn(t *testing.T, b dashboard.Browser, selector, words string) {
	t.Helper()
	find := fmt.Sprintf(`[...document.querySelectorAll(%q)].find((x) => x.textContent.trim().includes(%q) && x.getClientRects().length)`, selector, words)
	b.Until(t, words, find)
	x, y := b.Place(t, find)
	b.Do(t, chromedp.TapXY(x, y))
}

func fill(t *testing.T, b dashboard.Browser, selector, text string) {
	t.Helper()
	b.Until(t, selector, fmt.Sprintf(`document.querySelector(%q)`, selector))
	b.Do(t, chromedp.SendKeys(chromedp.CSS(selector), text))
}

// has waits until words stand on the page.
func has(t *testing.T, b dashboard.Browser, words string) {
	t.Helper()
	b.Until(t, words, fmt.Sprintf(`(document.querySelector("main")?.textContent || "").replace(/\s+/g, " ").includes(%q)`, words))
}

// The whole story of a small job on a phone, by touch alone: paired by its code, a job with a piece and its sequence, a batch, a coat, touches,
// a photo, an undo, and the record that is left of it.
func TestStoryByTouch(t *testing.T) {
	b := dashboard.OpenBrowser(t)
	loopback, shed := simulated(t)
	host := strings.TrimPrefix(shed, "http://")
	b.Do(t, chromedp.EmulateViewport(390, 844, chromedp.EmulateMobile, chromedp.EmulatePortrait, chromedp.EmulateTouch), chromedp.Navigate(shed+"/book"))
	require.False(t, b.Bool(t, `document.querySelector("main form")`), "a phone that is not paired only reads")

	res, err := http.Post(loopback+"/api/v1/pairings", "application/json", strings.NewReader(`{"phone": "glove phone"}`))
	require.NoError(t, err)
	defer res.Body.Close()
	var offer struct{ Code string }
	require.NoError(t, json.NewDecoder(res.Body).Decode(&offer))
	b.Do(t, chromedp.Navigate(shed+"/pair/"+offer.Code))
	require.Empty(t, b.Targets(t))
	fill(t, b, "#name", "Wren")
	b.Tap(t, "button.main")
	b.Until(t, "the shed", `location.pathname === "/" && !location.href.includes("`+offer.Code+`")`)

	// A job and a piece.
	tapOn(t, b, ".foot nav a", "Job book")
	tapOn(t, b, "#job-new > summary", "A new job")
	fill(t, b, "#job-name", "Sandpiper's dinghy")
	tapOn(t, b, "#job-new button", "Begin the job")
	tapOn(t, b, "a.open", "Sandpiper's dinghy")
	fill(t, b, "#piece-name", "rudder blade")
	fill(t, b, "#piece-thickness", "18")
	tapOn(t, b, "#piece-new button", "Add the piece")
	tapOn(t, b, "a.row", "rudder blade")

	// Its sequence, from a usual one, and a reading of the meter.
	tapOn(t, b, "label.choice", "bare timber")
	tapOn(t, b, "#templates button", "Look at it")
	has(t, b, "Not kept yet")
	tapOn(t, b, "#steps-edit button", "Keep the sequence")
	b.Until(t, "the sequence", `document.querySelectorAll(".course li").length === 2`)
	require.Empty(t, b.Targets(t))
	tapOn(t, b, "#meter > summary", "Enter a reading")
	fill(t, b, "#meter-pct", "10,5")
	tapOn(t, b, "#meter button", "Keep it")
	has(t, b, "10.5 % by meter")

	// When to start, and what if.
	tapOn(t, b, "a.button", "When to start")
	b.Until(t, "the plan", `location.pathname === "/plan"`)
	b.Settled(t)
	has(t, b, "rudder blade")

	// The coat of the next step, with its batch poured over and used up.
	b.Do(t, chromedp.Navigate(shed+"/book"))
	tapOn(t, b, "a.row", "rudder blade")
	tapOn(t, b, "a.button", "Start a seal coat")
	b.Until(t, "the kind of the step", `document.querySelector("[name=kind]:checked")?.value === "seal"`)
	fill(t, b, "#amount", "180")
	tapOn(t, b, "label.choice:has([value=pot])", "pot")
	tapOn(t, b, "form.new button", "The coat is on")
	has(t, b, "180 g of Medium")
	tapOn(t, b, "button", "Poured into the tray")
	has(t, b, "in the tray")
	tapOn(t, b, "button", "used up")
	b.Until(t, "no batch", `!document.querySelector(".batch")`)

	// Touches, one of them by mistake.
	ours := b.Text(t, `[...document.querySelectorAll(".coat")].find((c) => c.textContent.includes("Seal coat on rudder blade")).id`)
	tapOn(t, b, "#"+ours+" button[name=state]", "wet")
	has(t, b, "Last: wet at")
	b.Do(t, chromedp.Navigate(shed+"/book"))
	tapOn(t, b, "#lately > summary", "Last said")
	tapOn(t, b, "#lately button", "Undo")
	has(t, b, "Undone, by entry")
	require.Equal(t, "Touch", b.Text(t, `document.querySelector("#lately .undone b").textContent`))

	// A photo of the piece.
	tapOn(t, b, "a.row", "rudder blade")
	tapOn(t, b, "#photo-new > summary", "Add a photo")
	var pic bytes.Buffer
	require.NoError(t, jpeg.Encode(&pic, image.NewGray(image.Rect(0, 0, 2600, 1200)), nil))
	file := filepath.Join(t.TempDir(), "blade.jpg")
	require.NoError(t, os.WriteFile(file, pic.Bytes(), 0o644))
	b.Do(t, chromedp.SetUploadFiles(chromedp.CSS("#photo-file"), []string{file}))
	fill(t, b, "#photo-caption", "the blade, sealed")
	tapOn(t, b, "#photo-new button", "Keep the photo")
	b.Until(t, "the photo, made smaller", `[...document.querySelectorAll(".photos img")].some((i) => i.naturalWidth === 2000 && i.alt === "the blade, sealed")`)

	// The end of the coat, and the record.
	tapOn(t, b, ".foot nav a", "Coats")
	b.Until(t, "the coat", `[...document.querySelectorAll(".coat")].some((c) => c.textContent.includes("Seal coat on rudder blade"))`)
	tapOn(t, b, "#"+ours+" summary", "End this coat")
	b.Until(t, "the button", `[...document.querySelectorAll("details[open] button")].some((x) => x.textContent === "End it now")`)
	tapOn(t, b, "details[open] button", "End it now")
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

// The heart of it on a bench's screen, by the keyboard alone: whatever has the focus can be seen to have it.
func TestStoryByKeyboard(t *testing.T) {
	b := dashboard.OpenBrowser(t)
	shed, _ := simulated(t)
	b.Do(t, chromedp.EmulateViewport(1280, 800), chromedp.Navigate(shed+"/book"))
	press := func(keys string) { t.Helper(); b.Do(t, chromedp.KeyEvent(keys)) }
	to := func(selector, words string) {
		t.Helper()
		for range 150 {
			press("\t")
			if b.Bool(t, fmt.Sprintf(`document.activeElement.matches(%q) && document.activeElement.textContent.includes(%q)`, selector, words)) {
				require.True(t, b.Bool(t, `getComputedStyle(document.activeElement).outlineStyle !== "none" || getComputedStyle(document.activeElement.closest("label") || document.body).outlineStyle !== "none"`),
					"%s has the focus and does not show it", selector)
				return
			}
		}
		require.Fail(t, "the keyboard does not reach it", "%s %q", selector, words)
	}
	at := func(path string) { t.Helper(); b.Until(t, path, `location.pathname.startsWith("`+path+`")`) }

	press("\t")
	require.True(t, b.Bool(t, `document.activeElement.matches(".skip")`), "the first stop leads to the content")
	press("\r")
	to("summary", "A new job")
	press("\r")
	to("#job-name", "")
	press("Oars")
	press("\r") // Enter in a field sends the form
	b.Until(t, "the job", `[...document.querySelectorAll("a.open")].some((a) => a.textContent === "Oars")`)
	to("a.open", "Oars")
	press("\r")
	at("/book/jobs/")
	to("#piece-name", "")
	press("loom")
	to("[name=lie]", "")
	press("\t")
	press("\r")
	b.Until(t, "the piece", `document.querySelector("a.row")`)
	to("a.row", "loom")
	press("\r")
	at("/book/pieces/")

	b.Do(t, chromedp.Navigate(shed+"/coats"))
	to("button[name=state]", "tacky")
	press(" ")
	has(t, b, "Last: tacky at")
	to("a.main", "Start a coat")
	press("\r")
	at("/coats/new")
	to("button.main", "The coat is on")
	b.Do(t, chromedp.Navigate(shed+"/plan"))
	b.Settled(t)
	to("summary", "Try something")
	press(" ")
	to("[name=deed]", "")
	to("#if-value", "")
	press("5")
	press("\r")
	b.Until(t, "the what-if", `location.search.includes("value=5")`)
	b.Settled(t)
	b.Quiet(t, strings.TrimPrefix(shed, "http://"))
}
