package dashboard

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"image"
	"image/png"
	"math"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

// installs tells what keeps the open page from a phone's home screen.
func (b *browser) installs(t *testing.T) (wrong []string) {
	t.Helper()
	b.do(t, chromedp.Func(func(ctx context.Context, target *chromedp.Target) error {
		got, err := cdp.Call(ctx, target, page.GetInstallabilityErrors, cdp.Empty{})
		if err != nil {
			return err
		}
		for _, e := range got.InstallabilityErrors {
			wrong = append(wrong, e.ErrorID)
		}
		m, err := cdp.Call(ctx, target, page.GetAppManifest, page.GetAppManifestParams{})
		if err != nil {
			return err
		}
		for _, e := range m.Errors {
			wrong = append(wrong, e.Message)
		}
		return nil
	}))
	return wrong
}

// Where the certificate is trusted the browser takes the page for the home screen without any complaint; on plain http it would not, for that reason alone,
// and the page says nothing of it.
func TestItInstallsWhereTLSIsTrusted(t *testing.T) {
	h := handler(t, newFake(scene()), nil)
	safe := httptest.NewTLSServer(h)
	defer safe.Close()
	plain := serve(t, h)
	key := sha256.Sum256(safe.Certificate().RawSubjectPublicKeyInfo)
	b := openBrowser(t, chromedp.Flag("ignore-certificate-errors-spki-list", base64.StdEncoding.EncodeToString(key[:])))
	byName := func(address string) string { return strings.Replace(address, "127.0.0.1", shedName, 1) }
	b.phone(t, byName(safe.URL)+"/coats")
	require.True(t, eval[bool](t, b, "isSecureContext"))
	require.Empty(t, b.installs(t))
	b.phone(t, byName(plain.URL)+"/coats")
	require.False(t, eval[bool](t, b, "isSecureContext"))
	require.Equal(t, []string{"not-from-secure-origin"}, b.installs(t))
	require.Empty(t, b.trouble)
}

// Phones that take no drawing for an icon get pictures of it: they are those that the browser makes of icon.svg. -update makes them.
func TestIconsAreTheDrawing(t *testing.T) {
	b := openBrowser(t)
	b.do(t, chromedp.Navigate(serve(t, handler(t, newFake(scene()), nil)).URL))
	for _, size := range []int64{192, 512} {
		ctx, cancel := context.WithTimeout(b.ctx, 20*time.Second)
		defer cancel()
		drawn, err := chromedp.Run(ctx, chromedp.Evaluate[string](fmt.Sprintf(`(async () => {
			const pic = new Image(), c = document.createElement("canvas");
			pic.src = "/static/icon.svg";
			await pic.decode();
			c.width = c.height = %d;
			c.getContext("2d").drawImage(pic, 0, 0, c.width, c.height);
			return c.toDataURL("image/png").split(",")[1];
		})()`, size), chromedp.EvalAwaitPromise))
		require.NoError(t, err)
		raw, err := base64.StdEncoding.DecodeString(drawn)
		require.NoError(t, err)
		path := fmt.Sprintf("static/icon-%d.png", size)
		if *update {
			require.NoError(t, os.WriteFile(path, raw, 0o644))
		}
		kept, err := os.ReadFile(path)
		require.NoError(t, err)
		want, err := png.Decode(bytes.NewReader(raw))
		require.NoError(t, err)
		got, err := png.Decode(bytes.NewReader(kept))
		require.NoError(t, err)
		require.Equal(t, image.Rect(0, 0, int(size), int(size)), got.Bounds())
		off := 0
		for y := range int(size) {
			for x := range int(size) {
				r, g, bl, _ := got.At(x, y).RGBA()
				wr, wg, wb, _ := want.At(x, y).RGBA()
				if math.Abs(float64(r)-float64(wr))+math.Abs(float64(g)-float64(wg))+math.Abs(float64(bl)-float64(wb)) > 0x4000 {
					off++ // more than how two browsers soften an edge
				}
			}
		}
		require.Less(t, off, int(size*size)/100)
	}
}
