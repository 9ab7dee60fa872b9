package access

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
)

// wall is a clock that the test sets.
type wall struct {
	at      time.Time
	trusted bool
}

func (w *wall) now() (time.Time, bool) { return w.at, w.trusted }

func openAt(t *testing.T, path string, w *wall) *Phones {
	t.Helper()
	p, aside, err := OpenPhones(path, 180*24*time.Hour, w.now)
	require.NoError(t, err)
	require.Empty(t, aside)
	return p
}

func TestACodePairsOnce(t *testing.T) {
	w := &wall{time.Date(2026, 1, 14, 12, 0, 0, 0, time.UTC), true}
	path := filepath.Join(t.TempDir(), "phones.json")
	p := openAt(t, path, w)
	code, err := p.Offer(Offer{Person: 7})
	require.NoError(t, err)
	require.Len(t, code, codeLength)
	for range 3 { // looking at the link pairs nothing
		offer, err := p.Look(code)
		require.NoError(t, err)
		require.Equal(t, Offer{Person: 7, May: MayWrite}, offer)
	}
	require.Empty(t, p.List())
	_, _, err = p.Pair(code, "", 0, "")
	require.ErrorContains(t, err, "1 to 40 letters")
	ph, token, err := p.Pair(strings.ToLower(code[:4]+" "+code[4:8]+"-"+code[8:]), "Wren's phone", 9, "")
	require.NoError(t, err)
	require.Equal(t, int64(7), ph.Person, "the offer says whose it is")
	require.Len(t, token, 43)
	for _, again := range []string{code, "", "0000-0000-0000"} {
		_, err = p.Look(again)
		require.ErrorIs(t, err, ErrCode)
		_, _, err = p.Pair(again, "another", 0, "")
		require.ErrorIs(t, err, ErrCode)
	}
	got, _, ok := p.Of(token)
	require.True(t, ok)
	require.Equal(t, "Wren's phone", got.Name)
	for _, no := range []string{"", token[:42], token + "A", got.Sum} {
		_, _, ok = p.Of(no)
		require.False(t, ok, "%q", no)
	}

	// The file keeps no token, and lets nobody else read it; a restart knows the phone, and no code that was open.
	b, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NotContains(t, string(b), token)
	st, err := os.Stat(path)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), st.Mode().Perm())
	open, err := p.Offer(Offer{})
	require.NoError(t, err)
	p = openAt(t, path, w)
	_, _, ok = p.Of(token)
	require.True(t, ok)
	_, err = p.Look(open)
	require.ErrorIs(t, err, ErrCode)
	_, err = p.Revoke(ph.ID)
	require.NoError(t, err)
	_, _, ok = p.Of(token)
	require.False(t, ok)
	_, _, ok = openAt(t, path, w).Of(token)
	require.False(t, ok)
	_, err = p.Revoke(ph.ID)
	require.ErrorIs(t, err, ErrNoPhone)
}

func TestACodeGrowsTooOld(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := openAt(t, filepath.Join(t.TempDir(), "phones.json"), &wall{time.Now(), true})
		code, err := p.Offer(Offer{})
		require.NoError(t, err)
		time.Sleep(CodeFor - time.Millisecond)
		_, err = p.Look(code)
		require.NoError(t, err)
		time.Sleep(time.Millisecond)
		_, _, err = p.Pair(code, "late", 0, "")
		require.ErrorIs(t, err, ErrCode)
		for range mostCodes {
			_, err = p.Offer(Offer{})
			require.NoError(t, err)
		}
		_, err = p.Offer(Offer{})
		require.ErrorContains(t, err, "codes are open")
		time.Sleep(CodeFor)
		_, err = p.Offer(Offer{})
		require.NoError(t, err)
	})
}

func pair(t *testing.T, p *Phones, name, old string) (Phone, string) {
	t.Helper()
	code, err := p.Offer(Offer{})
	require.NoError(t, err)
	ph, token, err := p.Pair(code, name, 1, old)
	require.NoError(t, err)
	return ph, token
}

// An unused phone is forgotten, but never because a board without a clock battery believes in another year.
func TestAnUnusedPhoneIsForgotten(t *testing.T) {
	w := &wall{time.Date(1970, 1, 1, 0, 2, 0, 0, time.UTC), false}
	path := filepath.Join(t.TempDir(), "phones.json")
	p := openAt(t, path, w)
	_, token := pair(t, p, "a", "")
	*w = wall{time.Date(2026, 1, 14, 12, 0, 0, 0, time.UTC), true}
	_, again, ok := p.Of(token)
	require.True(t, ok, "paired while the clock was unset")
	require.True(t, again)
	_, again, ok = p.Of(token)
	require.True(t, ok)
	require.False(t, again, "not to the card at each use")
	*w = wall{time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC), false} // the clock is lost, and shows some time
	_, _, ok = p.Of(token)
	require.True(t, ok)
	w.at, w.trusted = time.Date(2026, 7, 13, 11, 0, 0, 0, time.UTC), true // 180 days less an hour later
	_, again, ok = openAt(t, path, w).Of(token)
	require.True(t, ok)
	require.True(t, again)
	w.at = w.at.Add(180 * 24 * time.Hour)
	_, _, ok = openAt(t, path, w).Of(token)
	require.False(t, ok)
	w.at = w.at.Add(-24 * time.Hour)
	_, _, ok = openAt(t, path, w).Of(token)
	require.False(t, ok, "forgotten for good")
}

// A phone that is paired once more leaves no second right behind, and a token that somebody made up is never taken over.
func TestPairedAnew(t *testing.T) {
	p := openAt(t, filepath.Join(t.TempDir(), "phones.json"), &wall{time.Now(), true})
	_, first := pair(t, p, "a", "")
	_, second := pair(t, p, "a", first)
	require.NotEqual(t, first, second)
	require.Len(t, p.List(), 1)
	_, _, ok := p.Of(first)
	require.False(t, ok)
	_, third := pair(t, p, "b", "chosen-by-an-attacker")
	require.NotEqual(t, "chosen-by-an-attacker", third)
	_, _, ok = p.Of("chosen-by-an-attacker")
	require.False(t, ok)
	require.Equal(t, int64(3), p.List()[1].ID, "numbers are not given twice")
}

func TestADamagedListIsSetAside(t *testing.T) {
	path := filepath.Join(t.TempDir(), "phones.json")
	require.NoError(t, os.WriteFile(path, []byte(`{"form":1,"phones":[{"id":`), 0o600))
	p, aside, err := OpenPhones(path, time.Hour, (&wall{}).now)
	require.NoError(t, err)
	require.Equal(t, path+".damaged", aside)
	require.Empty(t, p.List())
	require.FileExists(t, aside)
	pair(t, p, "a", "")
}

// A phone that can't be struck off on the disk is struck off all the same.
func TestRevokedThoughTheCardIsReadOnly(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "data")
	require.NoError(t, os.Mkdir(folder, 0o700))
	p := openAt(t, filepath.Join(folder, "phones.json"), &wall{time.Now(), true})
	ph, token := pair(t, p, "a", "")
	require.NoError(t, os.RemoveAll(folder)) // nothing can be written there any more
	_, err := p.Revoke(ph.ID)
	require.Error(t, err)
	require.NotErrorIs(t, err, ErrNoPhone)
	_, _, ok := p.Of(token)
	require.False(t, ok)
	code, err := p.Offer(Offer{})
	require.NoError(t, err)
	_, _, err = p.Pair(code, "b", 0, "")
	require.Error(t, err)
	_, err = p.Look(code)
	require.NoError(t, err, "the code is still good")
}

func TestPhonesAtOnce(t *testing.T) {
	p := openAt(t, filepath.Join(t.TempDir(), "phones.json"), &wall{time.Now(), true})
	code, err := p.Offer(Offer{})
	require.NoError(t, err)
	var all sync.WaitGroup
	tokens := make([]string, 16)
	for i := range tokens {
		all.Go(func() { _, tokens[i], _ = p.Pair(code, fmt.Sprint("phone ", i), 0, "") })
	}
	all.Wait()
	won := 0
	for _, token := range tokens {
		if token != "" {
			won++
		}
	}
	require.Equal(t, 1, won, "sixteen press at once, one is paired")
	require.Len(t, p.List(), 1)
}

func FuzzPhones(f *testing.F) {
	f.Add([]byte(`{"form":1,"next":3,"phones":[{"id":2,"name":"a","may":"write","sha256":"00"}]}`))
	f.Add([]byte(`{}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		path := filepath.Join(t.TempDir(), "phones.json")
		require.NoError(t, os.WriteFile(path, data, 0o600))
		p, _, err := OpenPhones(path, time.Hour, (&wall{}).now)
		require.NoError(t, err)
		_, _, ok := p.Of("")
		require.False(t, ok, "%s", data)
		if json.Valid(data) {
			_ = p.List()
		}
	})
}
