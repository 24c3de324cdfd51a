package config

import (
	"fmt"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// place is where a key stands in its file, both from 1.
type place struct{ line, column int }

// written is one key of a file.
type written struct {
	parts []string // without list indices: "channel", "name"
	shown string   // as messages show it: "channel[1].name"
	at    place
}

// positions walks a document that has been decoded without error and returns where
// each key stands: by its name as messages show it, and in the file's order.
//
// The decoder itself tells positions for its own errors alone; a value that is
// well-formed but out of its limits needs this walk.
func positions(data []byte) (map[string]place, []written) {
	w := &walker{where: map[string]place{}, lists: map[string]int{}}
	w.parser.Reset(data)
	var table keyPath
	for w.parser.NextExpression() {
		n := w.parser.Expression()
		switch n.Kind {
		case unstable.Table, unstable.ArrayTable:
			table = w.header(n)
		case unstable.KeyValue:
			w.keyValue(table, n)
		}
	}
	return w.where, w.order
}

type keyPath struct {
	parts []string
	shown string
}

func (p keyPath) with(key string) keyPath {
	shown := key
	if p.shown != "" {
		shown = p.shown + "." + key
	}
	return keyPath{append(append([]string(nil), p.parts...), key), shown}
}

type walker struct {
	parser unstable.Parser
	where  map[string]place
	order  []written
	lists  map[string]int // how many entries of a list were seen, by its shown name
}

// header enters [a.b] or [[a]].
func (w *walker) header(n *unstable.Node) keyPath {
	var path keyPath
	for it := n.Key(); it.Next(); {
		path = path.with(string(it.Node().Data))
		at := w.at(it.Node())
		switch {
		case it.IsLast() && n.Kind == unstable.ArrayTable:
			w.note(path, at)
			w.lists[path.shown]++
			path.shown = fmt.Sprintf("%s[%d]", path.shown, w.lists[path.shown])
			w.where[path.shown] = at
		case w.lists[path.shown] > 0:
			path.shown = fmt.Sprintf("%s[%d]", path.shown, w.lists[path.shown])
		default:
			w.note(path, at)
		}
	}
	return path
}

func (w *walker) keyValue(table keyPath, n *unstable.Node) {
	path := table
	for it := n.Key(); it.Next(); {
		path = path.with(string(it.Node().Data))
		w.note(path, w.at(it.Node()))
	}
	w.value(path, n.Value())
}

// value goes into tables that are written inline.
func (w *walker) value(path keyPath, n *unstable.Node) {
	switch n.Kind {
	case unstable.InlineTable:
		for it := n.Children(); it.Next(); {
			w.keyValue(path, it.Node())
		}
	case unstable.Array:
		i := 0
		for it := n.Children(); it.Next(); {
			if it.Node().Kind == unstable.Comment {
				continue
			}
			i++
			entry := keyPath{path.parts, fmt.Sprintf("%s[%d]", path.shown, i)}
			w.where[entry.shown] = w.where[path.shown]
			w.value(entry, it.Node())
		}
	}
}

func (w *walker) note(path keyPath, at place) {
	if _, seen := w.where[path.shown]; !seen {
		w.where[path.shown] = at
	}
	w.order = append(w.order, written{path.parts, strings.Clone(path.shown), at})
}

func (w *walker) at(n *unstable.Node) place {
	start := w.parser.Shape(n.Raw).Start
	return place{start.Line, start.Column}
}
