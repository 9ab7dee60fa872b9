package main

import (
	"github.com/spf13/cobra"
)

func newJobCmd(e env) *cobra.Command {
	c := groupCmd("job", "The job book: jobs, pieces and their plans, what was done, probes taped to them, notes, photos, meter readings, history, undo",
		"  tackline job add \"Sandpiper\"\n  tackline job piece \"port topside\" --job Sandpiper --lie upright --thickness 9mm --area 4.4m2\n"+
			"  tackline job tape surface --piece \"port topside\"\n  tackline job meter \"port topside\" 11.5\n  tackline job history piece 7\n  tackline job undo 31")
	d := newDesk(c, e)
	c.AddCommand(newJobListCmd(d), newJobAddCmd(d), newJobEditCmd(d),
		newJobCloseCmd(d, "close", "Close a job: it is done, and its record stays", true), newJobCloseCmd(d, "reopen", "Open a closed job again", false),
		newPieceCmd(d), newTapeCmd(d), newNoteCmd(d), newPhotoCmd(d), newMeterCmd(d), newTemplatesCmd(e), newStepsCmd(e, d.cl, &d.who), newDidCmd(d), newUndoCmd(d), newHistoryCmd(d), newLimitCmd(d), newJournalCmd(d), newPackCmd(d), newOpenPackCmd(d))
	return c
}
