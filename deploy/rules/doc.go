// Package rules holds no code: its tests keep the shape of the project. Who may import whom, and why; what may never stand under advisor;
// what the tree's top level is; that the database library and its C runtime fit each other.
package rules
