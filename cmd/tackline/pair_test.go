package main

import (
	"image"
	"image/color"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
	"github.com/stretchr/testify/require"
)

// seenByACamera reads a code as it stands on a dark terminal, by a reader of another make.
func seenByACamera(t *testing.T, text string) string {
	t.Helper()
	var rows [][]rune
	for _, l := range strings.Split(text, "\n") {
		if strings.ContainsAny(l, "█▀▄") {
			rows = append(rows, []rune(l))
		}
	}
	require.NotEmpty(t, rows)
	const module, border = 4, 16
	wide, high := 2*border+module*len(rows[0]), 2*border+2*module*len(rows)
	img := image.NewGray(image.Rect(0, 0, wide, high))
	for i := range img.Pix {
		img.Pix[i] = 255 // the light border of a terminal is drawn too, but half of it
	}
	for y, row := range rows {
		for x, r := range row {
			for dy := range 2 * module {
				dark := r == ' ' || r == '▀' && dy >= module || r == '▄' && dy < module
				for dx := range module {
					if dark && !(y == len(rows)-1 && dy >= module) {
						img.SetGray(border+x*module+dx, border+y*2*module+dy, color.Gray{})
					}
				}
			}
		}
	}
	bitmap, err := gozxing.NewBinaryBitmapFromImage(img)
	require.NoError(t, err)
	got, err := qrcode.NewQRCodeReader().Decode(bitmap, nil)
	require.NoError(t, err, text)
	return got.GetText()
}

// TestPairByTheCommandLine: the code on the terminal is the link, the link pairs, and the list and revoke know the phone.
func TestPairByTheCommandLine(t *testing.T) {
	call := shedForCommands(t)
	good := func(args ...string) string {
		t.Helper()
		r := call(args...)
		require.Zero(t, r.code, r.err)
		return r.out
	}
	require.Equal(t, "No phone is paired: tackline pair.\n", good("pair", "list"))
	good("people", "add", "Wren")
	out := good("pair", "--person", "Wren", "--may", "admin")
	link := seenByACamera(t, out)
	require.Contains(t, out, "\n"+link+"\n")
	require.Contains(t, out, "within 10 minutes")
	u, err := url.Parse(link)
	require.NoError(t, err)
	stay := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	res, err := stay.PostForm(u.Scheme+"://"+u.Host+"/pair", url.Values{"code": {strings.TrimPrefix(u.Path, "/pair/")}, "phone": {"Wren's phone"}})
	require.NoError(t, err)
	res.Body.Close()
	require.Equal(t, http.StatusSeeOther, res.StatusCode)
	require.Regexp(t, `^1  Wren's phone  Wren  may admin  used `, good("pair", "list"))
	require.Contains(t, good("pair", "list", "--json"), `"may":"admin"`)
	require.Equal(t, "Phone 1, Wren's phone, can do no more than a stranger now.\n", good("pair", "revoke", "1"))
	require.Contains(t, good("pair", "--json"), `"good_for_s":600`)

	for _, c := range []struct {
		args []string
		code int
		says string
	}{
		{[]string{"pair", "--person", "Nobody"}, exitFailed, "tackline people add"},
		{[]string{"pair", "--may", "fly"}, exitFailed, "read, write or admin"},
		{[]string{"pair", "--phone", strings.Repeat("x", 41)}, exitFailed, "1 to 40 letters"},
		{[]string{"pair", "revoke", "7"}, exitFailed, "no phone 7"},
		{[]string{"pair", "revoke", "Wren"}, exitUsage, "pair list"},
		{[]string{"pair", "revoke"}, exitUsage, "accepts 1"},
	} {
		r := call(c.args...)
		require.Equal(t, c.code, r.code, "%v: %s", c.args, r.err)
		require.Contains(t, r.err, c.says)
	}
}

// TestTheKeyGoesNowhereInTheClear: the client shows the board's key to the board and by TLS, and to nobody else.
func TestTheKeyGoesNowhereInTheClear(t *testing.T) {
	key := filepath.Join(t.TempDir(), "local.key")
	require.NoError(t, os.WriteFile(key, []byte("0123456789abcdef0123456789abcdef\n"), 0o600))
	c := &client{key: key}
	for address, shown := range map[string]bool{"http://127.0.0.1:8417": true, "http://[::1]:8417": true, "http://localhost:8417": true, "https://shed.example": true,
		"http://shed.example": false, "http://192.168.1.2:8417": false, "http://127.0.0.1.example": false, "http://localhost.example": false} {
		r, err := http.NewRequest(http.MethodGet, address, nil)
		require.NoError(t, err)
		c.authorize(r)
		require.Equal(t, shown, r.Header.Get("Authorization") != "", address)
	}
	c.key = filepath.Join(t.TempDir(), "none")
	r, err := http.NewRequest(http.MethodGet, "http://127.0.0.1", nil)
	require.NoError(t, err)
	c.authorize(r)
	require.Empty(t, r.Header)
}
