package figure

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image/color"
	"io"
	"strings"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/vgsvg"
)

// Options say how a figure is written as SVG. Zero sizes take the defaults.
type Options struct {
	// Width and Height are the drawing's size in CSS pixels at its natural size. The
	// default is 640 wide, and 200 high for each panel. The drawing scales with its
	// container, so text becomes small where that is much narrower: write a narrow
	// drawing beside it.
	Width, Height float64
	// Suffix tells several drawings of one figure in a page apart.
	Suffix string
}

// Sizes of a drawing in CSS pixels.
const (
	Wide   = 640
	Narrow = 340
	tall   = 200

	minWidth, minHeight, most = 240, 160, 4000
)

// SVG writes a figure as an element to be set inline in a page. Errors wrap ErrFigure.
func SVG(f Figure, o Options) ([]byte, error) {
	if o.Width == 0 {
		o.Width = Wide
	}
	if o.Height == 0 {
		o.Height = tall * float64(max(len(f.Panels), 1))
		if len(f.Panels) < 2 {
			o.Height += tall / 2
		}
	}
	if !(o.Width >= minWidth && o.Width <= most && o.Height >= minHeight && o.Height <= most) {
		return nil, fmt.Errorf("%w: size %v × %v: expected %d to %d wide and %d to %d high",
			ErrFigure, o.Width, o.Height, minWidth, most, minHeight, most)
	}
	canvas := vgsvg.New(vg.Length(o.Width), vg.Length(o.Height))
	err := Draw(Canvas{Canvas: canvas, Width: o.Width, Height: o.Height, TextSize: 11, Color: standIn, Wider: 1.15}, f)
	if err != nil {
		return nil, err
	}
	f.Name += o.Suffix
	return inline(canvas, f, o)
}

// standIn is the colour that stands for an ink while drawing. The plotting library
// can only write fixed colours, so each is exchanged in the finished drawing for a class
// name, which the page's style sheet colours, and a presentation attribute for
// places without that style sheet.
func standIn(k Ink) color.Color { return color.RGBA{R: uint8(k), G: 0xfe, B: 0x01, A: 0xff} }

// paint is what an ink becomes in the finished drawing.
type paint struct {
	class   string
	paint   string // for drawings outside the page
	opacity string // empty means 1
}

func paints() map[string]paint {
	named := func(k Ink) string { return fmt.Sprintf("#%02XFE01", uint8(k)) }
	return map[string]paint{
		named(Text):     {class: "plot-text", paint: "currentColor"},
		named(Muted):    {class: "plot-axis", paint: "currentColor"},
		named(Grid):     {class: "plot-grid", paint: "currentColor", opacity: "0.2"},
		named(Metered):  {class: "plot-metered", paint: "currentColor", opacity: "0.6"},
		named(Other):    {class: "plot-other", paint: "currentColor", opacity: "0.4"},
		named(Expected): {class: "plot-expected", paint: "#b4532a"},
		named(Saved):    {class: "plot-saved", paint: "#2f7f86"},
		named(Spread):   {class: "plot-band", paint: "#2f7f86", opacity: "0.25"},
		named(Limit):    {class: "plot-limit", paint: "#9b2c2c"},
	}
}

// inline rewrites the finished drawing so that it can stand inside a page: no
// prologue, no style attributes, inks by class, scaling by its container, with
// title and description.
func inline(c *vgsvg.Canvas, f Figure, o Options) ([]byte, error) {
	var raw, out bytes.Buffer
	if _, err := c.WriteTo(&raw); err != nil {
		return nil, fmt.Errorf("write svg: %w", err)
	}
	table := paints()
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
				openPicture(&out, f, o)
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

func openPicture(out *bytes.Buffer, f Figure, o Options) {
	fmt.Fprintf(out, `<svg xmlns="http://www.w3.org/2000/svg" class="plot" role="img" viewBox="0 0 %g %g" width="100%%" aria-labelledby="%s-title %s-desc">`,
		o.Width, o.Height, f.Name, f.Name)
	fmt.Fprintf(out, `<title id="%s-title">%s</title><desc id="%s-desc">%s</desc>`,
		f.Name, escape(f.Title), f.Name, escape(f.Says))
}

// attributes splits a style attribute into presentation attributes and gives
// any other attribute back as it is. What is the initial value anyway is left
// out, and so is the font: the page has its own.
func attributes(a xml.Attr, table map[string]paint) []xml.Attr {
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
			class := known.class
			if name == "fill" && class != "plot-text" && class != "plot-band" {
				class += "-dot"
			}
			add("class", class)
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
