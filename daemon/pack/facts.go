package pack

import (
	"encoding/json"
	"fmt"
	"time"

	"tackline/dashboard/record"
)

// facts is a record's job as facts.json has it: the zone by its name.
type facts struct {
	record.Job
	Zone string
}

func encodeFacts(j record.Job) ([]byte, error) {
	f := facts{Job: j}
	if j.Zone != nil {
		f.Zone = j.Zone.String()
	}
	b, err := json.MarshalIndent(f, "", " ")
	if err != nil {
		return nil, fmt.Errorf("pack: facts: %w", err)
	}
	return append(b, '\n'), nil
}

func decodeFacts(b []byte) (record.Job, error) {
	var f facts
	if err := json.Unmarshal(b, &f); err != nil {
		return record.Job{}, fmt.Errorf("pack: facts.json cannot be read: %w", err)
	}
	j := f.Job
	zone, err := time.LoadLocation(f.Zone)
	if err != nil {
		return j, fmt.Errorf("pack: facts.json names the zone %q: %w", f.Zone, err)
	}
	j.Zone = zone
	if err := j.Check(); err != nil {
		return j, fmt.Errorf("pack: facts.json: %w", err)
	}
	return j, nil
}
