package dashboard

import (
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"tackline/advisor/sequence"
	"tackline/advisor/units"
)

// bookScene is the scene with a sequence on two of its pieces.
func bookScene() View {
	v := scene()
	v.Advice.Pieces[1].Steps = []sequence.Place{{Step: 1, Work: sequence.Bedding, Mark: sequence.Done, Times: 1, Done: 1, At: units.InstantOf(sceneNow)}, {Step: 2, Work: sequence.LayFabric, Mark: sequence.ToDo, Times: 1}}
	v.Advice.Pieces[1].Next = &sequence.Next{Step: 2, Of: 2, Work: sequence.LayFabric, Ready: sequence.No, Text: "Next: lay fabric. The coat beneath is wet until about 14:27.", Conditions: []sequence.Condition{
		{Need: "tack window", Truth: sequence.No, Text: "The coat beneath is wet until about 14:27."}, {Need: "dry", Truth: sequence.Unknown, Text: "Nobody knows whether it is dry."}}}
	v.Advice.Pieces[1].Means = []sequence.Meaning{{Text: "The fabric went on before the bedding grabbed: it may have slipped."}}
	v.Advice.Pieces[0].Next = &sequence.Next{Step: 1, Of: 3, Work: sequence.Seal, System: "slow", Coat: 1, Times: 2, Text: "Next: seal.", First: []sequence.Instruction{{Text: "Wipe the dust off."}}}
	return v
}

func TestJobBookInEveryState(t *testing.T) {
	for name, c := range map[string]struct {
		path   string
		books  Books
		status int
		reads  bool
	}{
		"coats-kept":     {"/coats", book{}, 200, false},
		"book":           {"/book", book{}, 200, false},
		"book-empty":     {"/book", book{empty: true}, 200, false},
		"book-reading":   {"/book", book{}, 200, true},
		"job":            {"/book/jobs/1", book{}, 200, false},
		"piece":          {"/book/pieces/1", book{}, 200, false},
		"piece-sequence": {"/book/pieces/2", book{}, 200, false},
		"piece-template": {"/book/pieces/5?from=wet+method", book{}, 200, false},
		"past":           {"/book/past/piece/1", book{}, 200, false},
		"past-missing":   {"/book/past/piece/77", book{}, 404, false},
		"job-missing":    {"/book/jobs/77", book{}, 404, false},
	} {
		t.Run(name, func(t *testing.T) {
			w := get(handler(t, newFake(bookScene()), func(o *Options) {
				o.Books = c.books
				if c.reads {
					o.Commands = nil
				}
			}), c.path)
			require.Equal(t, c.status, w.Code, w.Body.String())
			body := w.Body.String()
			for _, no := range []string{"<style", " style=", "onclick", "ZgotmplZ", "%!", "[did_", "[mark_", "[wait_", "[lie_"} {
				require.NotContains(t, body, no)
			}
			if c.reads {
				require.NotContains(t, body, "<button")
			}
			golden(t, name+".html", flat(body))
		})
	}
	require.Equal(t, http.StatusNotFound, get(handler(t, newFake(scene()), nil), "/book").Code, "without a book there is no page of it")
}

// Every form of the job book that can be repeated by a bad link carries a key, and every one that changes something the revision that was seen.
func TestFormsOfTheBookAreSafeToRepeat(t *testing.T) {
	h := handler(t, newFake(bookScene()), func(o *Options) { o.Books = book{} })
	for _, path := range []string{"/book", "/book/jobs/1", "/book/pieces/1", "/book/pieces/2", "/book/past/piece/1"} {
		for _, form := range strings.Split(get(h, path).Body.String(), "<form ")[1:] {
			form = form[:strings.Index(form, "</form>")]
			if strings.Contains(form, `method="get"`) {
				continue
			}
			require.Contains(t, form, `name="key" value="key`, path)
			for _, kind := range []string{"edit-", "set-steps"} {
				if strings.Contains(form, "/commands/"+kind) {
					require.Contains(t, form, `name="saw_rev"`, path)
				}
			}
		}
	}
}

// What the next step waits for stands once on the page of its piece, and that it is ready is said where it waits for nothing.
func TestThePieceSaysOnceWhatItWaitsFor(t *testing.T) {
	v := bookScene()
	page := func() string {
		return get(handler(t, newFake(v), func(o *Options) { o.Books = book{} }), "/book/pieces/2").Body.String()
	}
	require.Equal(t, 1, strings.Count(page(), "The coat beneath is wet until about 14:27."))
	require.NotContains(t, page(), "Ready.")
	v.Advice.Pieces[1].Next = &sequence.Next{Step: 2, Of: 2, Work: sequence.Fill, Coat: 4, Times: 3, UntilFull: true, Ready: sequence.Yes, Text: "Next: fill. Ready."}
	require.Equal(t, 1, strings.Count(page(), "say that the weave is full"))
	v.Advice.Pieces[1].Next.UntilFull = false
	require.Equal(t, 1, strings.Count(page(), "Ready."))
}

func TestTheNextStepOpensTheRightCoat(t *testing.T) {
	h := handler(t, newFake(bookScene()), func(o *Options) { o.Books = book{} })
	require.Contains(t, get(h, "/book/pieces/1").Body.String(), `href="/coats/new?piece=1&amp;kind=seal&amp;system=slow"`)
	body := get(h, "/coats/new?piece=2&kind=fill&system=slow").Body.String()
	for _, on := range []string{`name="piece" value="2" checked`, `name="kind" value="fill" checked`, `name="system" value="slow" checked`} {
		require.Contains(t, body, on)
	}
}
