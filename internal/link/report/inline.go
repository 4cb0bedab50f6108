package report

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	stdcolor "image/color"
	"io"
	"strings"

	"gonum.org/v1/plot/vg/vgsvg"
)

// color is an ink of a plot. The plotting library can only write fixed colours,
// so each ink is drawn in a colour that stands for it and is exchanged in the
// finished drawing for a class name, which the page's style sheet colours, and
// a presentation attribute for places without that style sheet.
type color uint8

const (
	inkText color = iota + 1
	inkMuted
	inkGrid
	inkMeasured
	inkOther
	inkExpected
	inkSaved
	inkBand
)

// rgba is the colour that stands for the ink while drawing.
func (k color) rgba() stdcolor.Color { return stdcolor.RGBA{R: uint8(k), G: 0xfe, B: 0x01, A: 0xff} }

// ink is what an ink becomes in the finished drawing.
type ink struct {
	class   string
	paint   string // for drawings outside the page
	opacity string // empty means 1
}

func inks() map[string]ink {
	named := func(k color) string { return fmt.Sprintf("#%02XFE01", uint8(k)) }
	return map[string]ink{
		named(inkText):     {class: "plot-text", paint: "currentColor"},
		named(inkMuted):    {class: "plot-axis", paint: "currentColor"},
		named(inkGrid):     {class: "plot-grid", paint: "currentColor", opacity: "0.2"},
		named(inkMeasured): {class: "plot-metered", paint: "currentColor", opacity: "0.6"},
		named(inkOther):    {class: "plot-other", paint: "currentColor", opacity: "0.4"},
		named(inkExpected): {class: "plot-expected", paint: "#b4532a"},
		named(inkSaved):    {class: "plot-saved", paint: "#2f7f86"},
		named(inkBand):     {class: "plot-band", paint: "#2f7f86", opacity: "0.25"},
	}
}

// inline rewrites the finished drawing so that it can stand inside a page: no
// prologue, no style attributes, inks by class, scaling by its container, with
// title and description.
func inline(c *vgsvg.Canvas, opt PlotOptions, description string) ([]byte, error) {
	var raw, out bytes.Buffer
	if _, err := c.WriteTo(&raw); err != nil {
		return nil, fmt.Errorf("write svg: %w", err)
	}
	table := inks()
	dec := xml.NewDecoder(&raw)
	for {
		tok, err := dec.RawToken()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("read svg: %w", err)
		}
		switch t := tok.(type) {
		case xml.StartElement:
			if t.Name.Local == "svg" {
				openPicture(&out, opt, description)
				continue
			}
			out.WriteString("<" + t.Name.Local)
			for _, a := range t.Attr {
				for _, b := range attributes(a, table) {
					fmt.Fprintf(&out, ` %s="%s"`, b.Name.Local, escape(b.Value))
				}
			}
			out.WriteString(">")
		case xml.EndElement:
			out.WriteString("</" + t.Name.Local + ">")
		case xml.CharData:
			out.WriteString(escape(strings.TrimSpace(string(t))))
		}
	}
	return out.Bytes(), nil
}

func openPicture(out *bytes.Buffer, opt PlotOptions, description string) {
	fmt.Fprintf(out, `<svg xmlns="http://www.w3.org/2000/svg" class="plot" role="img" viewBox="0 0 %g %g" width="100%%" aria-labelledby="%s-title %s-desc">`,
		opt.Width, opt.Height, opt.ID, opt.ID)
	fmt.Fprintf(out, `<title id="%s-title">%s</title><desc id="%s-desc">%s</desc>`,
		opt.ID, escape(opt.Title), opt.ID, escape(description))
}

// attributes splits a style attribute into presentation attributes and gives
// any other attribute back as it is. What is the initial value anyway is left
// out, and so is the font: the page has its own.
func attributes(a xml.Attr, table map[string]ink) []xml.Attr {
	if a.Name.Local != "style" {
		return []xml.Attr{a}
	}
	var out []xml.Attr
	add := func(name, value string) {
		out = append(out, xml.Attr{Name: xml.Name{Local: name}, Value: value})
	}
	for declaration := range strings.SplitSeq(a.Value, ";") {
		name, value, _ := strings.Cut(declaration, ":")
		name, value = strings.TrimSpace(name), strings.TrimSpace(value)
		known, isInk := table[value]
		switch {
		case isInk:
			add("class", known.class)
			add(name, known.paint)
			if known.opacity != "" {
				add(name+"-opacity", known.opacity)
			}
		case name == "font-size":
			add(name, strings.TrimSuffix(value, "px"))
		case name == "fill", name == "stroke-width", name == "stroke-dasharray":
			add(name, value)
		}
	}
	return out
}

func escape(s string) string {
	var b strings.Builder
	// EscapeText fails only when the writer fails, and a Builder never does.
	_ = xml.EscapeText(&b, []byte(s))
	return b.String()
}
