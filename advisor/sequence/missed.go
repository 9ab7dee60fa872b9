package sequence

import "fmt"

const sheet = " The maker's sheet decides."

// before lists what has to be done before a step whose conditions are not met. What a missed window asks for depends on the coat: unfilled
// weave is washed and scuffed with a pad only; a full weave or plain film is abraded with 80 grit once it sands to dust.
func (f *Facts) before(s Step, srf *surface, cs []Condition) []Instruction {
	if len(cs) > 0 && cs[0].Phase == Closed && (s.Wait == TackWindow || s.Wait == WhileWet) {
		return f.freshCoat(s, srf)
	}
	out := []Instruction{}
	for i, c := range cs {
		if c.Truth == Yes || i == 0 && c.Phase != "" {
			continue
		}
		if d, ok := f.instruct(c, srf); ok {
			out = append(out, d)
		}
	}
	return out
}

// freshCoat: what wanted a tacky or wet coat gets another one first.
func (f *Facts) freshCoat(s Step, srf *surface) []Instruction {
	if s.Work == PeelPlyOn {
		return []Instruction{{Work: PeelPlyOn, Ready: No, Source: practice,
			Text: "Peel ply goes onto wet resin only. Leave it out: the coat is washed and scuffed later instead; or lay it into the next coat while that is wet." + sheet}}
	}
	with := Bedding
	what := "fabric"
	if s.Work == Glue {
		with, what = Seal, "glue"
	}
	again := f.Ask(Step{Work: with, Wait: RecoatWindow})
	text := fmt.Sprintf("The coat beneath no longer takes %s. Put another thin coat on first, and go on into that one.", what)
	if again.Ready == Yes && again.Until.Known() {
		text += fmt.Sprintf(" It still bonds by itself until %s.", f.clock(again.Until))
	}
	return append(again.First, Instruction{Work: with, Ready: again.Ready, Source: practice, Text: text + sheet})
}

// instruct turns a condition that is not met into what to do about it; ok is false where there is only waiting.
func (f *Facts) instruct(c Condition, srf *surface) (Instruction, bool) {
	d := Instruction{Ready: Yes, Source: c.Source}
	hard := func(w Wait) Truth {
		h := f.wait(w, srf)
		return h.Truth
	}
	switch c.Need {
	case "peel ply off":
		d.Work, d.Ready = PeelPlyOff, hard(Firm)
	case "inspected":
		d.Work = Inspect
	case "washed":
		d.Work, d.Ready = Wash, hard(Firm)
	case "scuffed":
		d.Work, d.Ready = Scuff, hard(Firm)
	case "abraded":
		d.Work, d.Ready = Abrade, hard(Sandable)
	case "warm enough":
		d.Work, d.Ready = WarmUp, hard(Firm)
	default:
		return d, false
	}
	if d.Work == Scuff || d.Work == Abrade {
		if !srf.washed.Known() || srf.dryMin == nil || *srf.dryMin < dryMin {
			d.Ready = No // washed and dry come first
		}
	}
	d.Text = c.Text
	if d.Ready == No && (d.Work == Wash || d.Work == PeelPlyOff) {
		d.Text += " Not before the coat is firm."
	}
	if d.Work == Scuff || d.Work == Abrade {
		d.Text += " Let it dry first. Half-cured dust sensitises: mask, gloves, no dry dust in the air."
	}
	d.Text += sheet
	return d, true
}
