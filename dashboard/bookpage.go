package dashboard

import (
	"errors"
	"net/http"
	"slices"
	"strconv"
	"strings"
)

// bookPage is the job book: its first page, a job's or a piece's. What is not on the page is empty.
type bookPage struct {
	base
	Here     string // where forms go back to without the script
	Jobs     []jobCard
	Closed   []jobCard
	Job      *jobCard
	Piece    *pieceSheet
	People   []personCard
	Stock    []stockCard
	Keeps    keepsakes
	Lately   []changeLine
	NewStock stockCard // of the form for one that is new
	Days     []dayBox
	Heading  string // of the page Past
	Back     string
}

type jobCard struct {
	BookJob
	BeginsText string
	Pieces     []pieceRow
	Rev        int64
}

// pieceRow is a piece among those of its job.
type pieceRow struct {
	ID           int64
	Name         string
	Verdict      string
	Shape        string
	Next, Needs  string // Needs: all of it in one line, where there is no room for Conditions and First
	Ready        string // said of the step itself; "" where only what it waits for can be said
	Step         string // "2 of 5"
	DidWhat      string // the deed that is done with one tap; "" where the next step is a coat
	StartKind    string // the coat that is started
	StartSystem  string
	Conditions   []needRow
	First        []string
	Instructions bool
}

type needRow struct {
	Text, Mark string // Mark: "yes", "no", "can't say"
}

// pieceSheet is a piece with all that can be done with it.
type pieceSheet struct {
	BookPiece
	Row       pieceRow
	JobName   string
	Places    []placeRow
	Means     []string
	Steps     []stepRow
	Template  string
	About     string
	Templates []choice
	Deeds     []string
	Lies      []choice
	Faces     []choice
	Sealed    []choice
	Moisture  string
	Remarks   []string
}

type placeRow struct {
	N          int64
	Work, Mark string
	Done       string
	At         string
	Now        bool
}

type stepRow struct {
	N                 int64 // in the names of its fields, from 0
	Line              int64 // as people count
	Works, Waits      []choice
	Count, Fabric     string
	Full              bool
	System, Note      string
	WaitMin, Coverage string
	ServiceC          string
}

type personCard struct {
	BookPerson
	From, Until, Off, Pace string
	Hours                  string
	Boxes                  []dayBox
}

type dayBox struct {
	N    int64
	Text string
	On   bool
}

type stockCard struct {
	BookStock
	LeftText, More        string
	Short                 bool // more was used than there was
	Late                  bool // past its shelf life
	Rolled                bool // it is kept by the metre
	Whats, Systems, Units []choice
	OpenedOn, ExpiryOn    dayField
}

// dayField is a field for a day, or for a day and a time where one was said.
type dayField struct{ Type, Value string }

type changeLine struct {
	Seq              int64
	When, Who, What  string
	Fields           []FieldChange
	Undone, CanUndo  bool
	UndoneBy, Unsure string
}

func (h *Handler) getBook(w http.ResponseWriter, r *http.Request) {
	h.bookOf(w, r, func(v View, b Book, p *bookPage) error {
		p.Title, p.Here = h.tx.get("title_book"), "/book"
		for _, j := range b.Jobs {
			card := h.jobCard(v, b, j)
			if j.Closed {
				p.Closed = append(p.Closed, card)
			} else {
				p.Jobs = append(p.Jobs, card)
			}
		}
		for _, x := range b.People {
			p.People = append(p.People, h.personCard(x))
		}
		for _, s := range b.Stock {
			p.Stock = append(p.Stock, h.stockCard(v, s))
		}
		p.NewStock = h.stockCard(v, BookStock{What: "resin", Unit: "g"})
		p.Keeps = h.keepsakes(v, b, "shed", p.Here, p.Title, About{})
		all, err := h.o.Books.Lately(r.Context(), 12)
		p.Lately = h.changeLines(v, all)
		return err
	})
}

func (h *Handler) getBookJob(w http.ResponseWriter, r *http.Request) {
	h.bookOf(w, r, func(v View, b Book, p *bookPage) error {
		id, err := pathID(r)
		if err != nil {
			return err
		}
		i := slices.IndexFunc(b.Jobs, func(j BookJob) bool { return j.ID == id })
		if i < 0 {
			return ErrNotFound
		}
		card := h.jobCard(v, b, b.Jobs[i])
		p.Job, p.Title, p.Here = &card, card.Name, "/book/jobs/"+r.PathValue("id")
		p.Keeps = h.keepsakes(v, b, "job", p.Here, p.Title, About{Job: id})
		return nil
	})
}

func (h *Handler) getBookPiece(w http.ResponseWriter, r *http.Request) {
	h.bookOf(w, r, func(v View, b Book, p *bookPage) error {
		id, err := pathID(r)
		if err != nil {
			return err
		}
		i := slices.IndexFunc(b.Pieces, func(x BookPiece) bool { return x.ID == id })
		if i < 0 {
			return ErrNotFound
		}
		sheet := h.pieceSheet(v, b, b.Pieces[i], r.URL.Query().Get("from"))
		p.Piece, p.Title, p.Here = &sheet, sheet.Name, "/book/pieces/"+r.PathValue("id")
		p.Keeps = h.keepsakes(v, b, "piece", p.Here, p.Title, About{Piece: id})
		return nil
	})
}

func (h *Handler) getPast(w http.ResponseWriter, r *http.Request) {
	h.bookOf(w, r, func(v View, b Book, p *bookPage) error {
		id, err := pathID(r)
		if err != nil {
			return err
		}
		class := strings.ReplaceAll(r.PathValue("class"), "-", " ")
		all, err := h.o.Books.Past(r.Context(), class, id)
		if err != nil {
			return err
		}
		slices.Reverse(all)
		p.Title, p.Here = h.tx.get("title_past"), r.URL.Path
		p.Heading, p.Lately, p.Back = h.tx.get("past_of", class, nameIn(b, class, id)), h.changeLines(v, all), "/book"
		if class == "job" || class == "piece" {
			p.Back = "/book/" + class + "s/" + r.PathValue("id")
		}
		return nil
	})
}

// bookOf reads the book and fills a page of it.
func (h *Handler) bookOf(w http.ResponseWriter, r *http.Request, fill func(View, Book, *bookPage) error) {
	v, stale, ok := h.now(w, r, "/book")
	if !ok {
		return
	}
	if h.o.Books == nil {
		h.getNothing(w, r)
		return
	}
	p := bookPage{base: h.base(v, stale, "", "/book")}
	b, err := h.o.Books.Book(r.Context())
	if err == nil {
		p.Days = h.dayBoxes([7]bool{false, true, true, true, true, true, false})
		err = fill(v, b, &p)
	}
	switch {
	case errors.Is(err, ErrNotFound):
		h.fail(w, r, http.StatusNotFound, "/book", h.tx.get("book_not_found"), h.tx.get("book_not_found_why"), "/book", false)
	case err != nil:
		status, _, why := h.explain(r, err)
		h.fail(w, r, status, "/book", h.tx.get("book_unread"), why, "", true)
	default:
		name := "book"
		switch {
		case p.Job != nil:
			name = "job"
		case p.Piece != nil:
			name = "piece"
		case p.Heading != "":
			name = "past"
		}
		h.render(w, r, http.StatusOK, name, p)
	}
}

func nameIn(b Book, class string, id int64) string {
	switch class {
	case "job":
		for _, x := range b.Jobs {
			if x.ID == id {
				return x.Name
			}
		}
	case "piece":
		for _, x := range b.Pieces {
			if x.ID == id {
				return x.Name
			}
		}
	case "person":
		for _, x := range b.People {
			if x.ID == id {
				return x.Name
			}
		}
	case "stock":
		for _, x := range b.Stock {
			if x.ID == id {
				return x.Name
			}
		}
	}
	return strconv.FormatInt(id, 10)
}
