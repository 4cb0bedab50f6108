package topics

import (
	"slices"
	"strings"

	"curetally/internal/core/plant"
	"curetally/internal/link/config/strictyaml"
)

// segment is a piece of a pattern or template: fixed text or a named part.
type segment struct {
	text string
	part bool
}

// split cuts a template at its {parts}; false when the braces do not match.
func split(s string) ([]segment, bool) {
	var out []segment
	for s != "" {
		before, rest, found := strings.Cut(s, "{")
		if strings.Contains(before, "}") {
			return nil, false
		}
		if before != "" {
			out = append(out, segment{before, false})
		}
		if !found {
			break
		}
		name, after, closed := strings.Cut(rest, "}")
		if !closed || plant.ValidName(name) != nil {
			return nil, false
		}
		out = append(out, segment{name, true})
		s = after
	}
	return out, true
}

// pattern checks a topic pattern and gives its named parts. A part is a whole
// level, as a broker can match only whole levels.
func (b checker) pattern(path, pattern string) []string {
	const remedy = "write levels of plain text or one {part}, for example press/{press}/{n}/status"
	parts := []string{}
	for level := range strings.SplitSeq(pattern, "/") {
		segments, ok := split(level)
		if !ok || len(segments) != 1 || strings.ContainsAny(level, "+#\x00") {
			b.reportf(path, remedy, "the level %q is not plain text or one named part", level)
			return nil
		}
		if !segments[0].part {
			continue
		}
		if slices.Contains(parts, segments[0].text) {
			b.reportf(path, "name each part once", "the part {%s} is there twice", segments[0].text)
			return nil
		}
		parts = append(parts, segments[0].text)
	}
	return parts
}

// template checks that a template has only parts of its pattern and can give at
// least one known name. Nil parts mean that the pattern itself is wrong.
func (b checker) template(path, template string, parts, names []string) {
	if template == "" || parts == nil {
		return
	}
	segments, ok := split(template)
	if !ok {
		b.reportf(path, "write text and {part}, for example {press}-{n}", "the template %q has odd braces", template)
		return
	}
	for _, s := range segments {
		if s.part && !slices.Contains(parts, s.text) {
			b.reportf(path, strictyaml.Suggest(s.text, parts, "add the part to the pattern"), "the pattern has no part {%s}", s.text)
			return
		}
	}
	if !slices.ContainsFunc(names, func(n string) bool { return Matches(template, n) }) {
		b.reportf(path, strictyaml.Suggest(template, names, "list it under presses"), "the template %q can give no known name", template)
	}
}

// Matches says whether a template can give a name.
func Matches(template, name string) bool {
	segments, ok := split(template)
	return ok && fits(segments, name)
}

func fits(segments []segment, name string) bool {
	if len(segments) == 0 {
		return name == ""
	}
	first, rest := segments[0], segments[1:]
	if !first.part {
		after, ok := strings.CutPrefix(name, first.text)
		return ok && fits(rest, after)
	}
	for i := 1; i <= len(name); i++ {
		if fits(rest, name[i:]) {
			return true
		}
	}
	return false
}
