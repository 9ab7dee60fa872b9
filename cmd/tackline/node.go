package main

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"tackline/daemon"
)

// heardNode is what the client reads of a node.
type heardNode struct {
	Node    string       `json:"node"`
	Probe   *string      `json:"probe"`
	Heard   *time.Time   `json:"heard"`
	Dropped int64        `json:"dropped"`
	Problem string       `json:"problem"`
	Last    []heardValue `json:"last"`
}

type heardValue struct {
	Quantity string  `json:"quantity"`
	Value    float64 `json:"value"`
	Status   string  `json:"status"`
}

// heardOf is a node as the daemon reports it.
func heardOf(n daemon.NodeReport) heardNode {
	out := heardNode{Node: n.Node, Probe: n.Probe, Heard: n.Heard, Dropped: n.Dropped, Problem: n.Problem}
	for _, l := range n.Last {
		out.Last = append(out.Last, heardValue{l.Quantity, l.Value, l.Status})
	}
	return out
}

type heardNodes struct {
	Nodes  []heardNode `json:"nodes"`
	Broker *struct {
		Connected bool   `json:"connected"`
		Problem   string `json:"problem"`
	} `json:"broker"`
}

func newNodeCmd(e env) *cobra.Command {
	c := &cobra.Command{Use: "node", Short: "List wireless nodes, and say which probe each of them is", Args: noCommand,
		RunE: func(c *cobra.Command, _ []string) error { return c.Help() }}
	cl := serverFlag(c, e)
	c.AddCommand(newNodeListCmd(e, cl), newNodeBindCmd(e, cl))
	return c
}

func newNodeListCmd(e env, cl *client) *cobra.Command {
	var asJSON bool
	c := &cobra.Command{Use: "list", Short: "List the nodes that are bound or were heard; those without a probe are unassigned", Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if asJSON {
				b, err := cl.call(c.Context(), "GET", "/api/v1/nodes", nil)
				if err != nil {
					return err
				}
				_, err = e.out.Write(b)
				return err
			}
			var h heardNodes
			if err := cl.get(c.Context(), "/api/v1/nodes", &h); err != nil {
				return err
			}
			if h.Broker != nil && !h.Broker.Connected {
				fmt.Fprintf(e.out, "No broker: %s\n", h.Broker.Problem)
			}
			if len(h.Nodes) == 0 {
				fmt.Fprintln(e.out, "No node was heard yet.")
			}
			for _, n := range h.Nodes {
				fmt.Fprintln(e.out, n.Node+"  "+n.line(e.now()))
			}
			return nil
		}}
	c.Flags().BoolVar(&asJSON, "json", false, "print the answer as JSON")
	return c
}

// line says what is known of a node.
func (n heardNode) line(now time.Time) string {
	parts := []string{"unassigned"}
	if n.Probe != nil {
		parts[0] = fmt.Sprintf("is %q", *n.Probe)
	}
	if n.Heard == nil {
		parts = append(parts, "not heard")
	} else {
		parts = append(parts, "heard "+now.Sub(*n.Heard).Round(time.Second).String()+" ago")
	}
	parts = append(parts, valuesOf(n.Last)...)
	if n.Dropped > 0 {
		parts = append(parts, fmt.Sprintf("%d readings dropped", n.Dropped))
	}
	if n.Problem != "" {
		parts = append(parts, n.Problem)
	}
	return strings.Join(parts, ", ")
}

func newNodeBindCmd(e env, cl *client) *cobra.Command {
	var who string
	c := &cobra.Command{Use: "bind NODE [PROBE]", Short: "Say which probe a node is; without a probe, that it is none",
		Long: "Says which probe a node is. A probe that was another node before, such as one with an empty battery, keeps its history; who bound what and\n" +
			"when stands in the job book.",
		Args: cobra.RangeArgs(1, 2), RunE: func(c *cobra.Command, args []string) error {
			probe := ""
			if len(args) == 2 {
				probe = args[1]
			}
			var r struct {
				Notes []string `json:"notes"`
			}
			b, err := cl.call(c.Context(), "POST", "/api/v1/commands/bind-node",
				map[string]any{"who": who, "key": newKey(), "payload": map[string]string{"node": args[0], "probe": probe}})
			if err != nil {
				return err
			}
			if err := json.Unmarshal(b, &r); err != nil {
				return fmt.Errorf("the daemon's answer can't be read: %w", err)
			}
			if probe == "" {
				fmt.Fprintf(e.out, "Kept: %s is no probe.\n", args[0])
			} else {
				fmt.Fprintf(e.out, "Kept: %s is %q.\n", args[0], probe)
			}
			for _, n := range r.Notes {
				fmt.Fprintln(e.out, n)
			}
			return nil
		}}
	c.Flags().StringVar(&who, "who", "", "who says so")
	return c
}

// valuesOf tells values, and what is wrong with them.
func valuesOf(list []heardValue) []string {
	var out []string
	for _, l := range list {
		text := fmt.Sprintf("%s %.4g", l.Quantity, l.Value)
		if l.Status != "ok" {
			text += " (" + strings.ReplaceAll(l.Status, "_", " ") + ")"
		}
		out = append(out, text)
	}
	return out
}
