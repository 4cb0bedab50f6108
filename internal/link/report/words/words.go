// Package words holds every text of reports and pages in one catalogue, for each
// language that they can be written in, and writes numbers and dates the way
// people of that language do. A further language is a further entry beside each
// text in catalogue.json (reports) and pages.json (pages, where names begin with web-),
// and nothing else.
//
// A text is called by its name; figures in it are written before, so that their
// form follows the language. Sentences that come from the core as finished English
// (why a day was left out, what a model misses) are recognised by their pattern and
// said in the language. What people wrote themselves stays as they wrote it.
//
// New refuses a language that the catalogue does not have. A name that is not in
// the catalogue is a mistake of the program and panics; the tests write every text
// in every language.
package words

import (
	"embed"
	"encoding/json"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/text/language"
	"golang.org/x/text/message"
	"golang.org/x/text/number"
)

//go:embed catalogue.json pages.json
var files embed.FS

// catalogue is the form of the file: name of a text → language → text, and
// patterns of English sentences with what they are in the other languages. A {} in
// a pattern stands for what differs from case to case.
type catalogue struct {
	Texts   map[string]map[string]string `json:"texts"`
	Phrases []map[string]string          `json:"phrases"`
}

// source is the language in which the core speaks.
const source = "en"

func read() (catalogue, error) {
	all := catalogue{Texts: map[string]map[string]string{}}
	for _, name := range []string{"catalogue.json", "pages.json"} {
		var c catalogue
		raw, err := files.ReadFile(name)
		if err == nil {
			err = json.Unmarshal(raw, &c)
		}
		if err != nil {
			return all, fmt.Errorf("catalogue of texts, %s: %w", name, err)
		}
		maps.Copy(all.Texts, c.Texts)
		all.Phrases = append(all.Phrases, c.Phrases...)
	}
	return all, nil
}

// Words writes in one language. It may be used by several goroutines.
type Words struct {
	language string
	texts    map[string]map[string]string
	phrases  []phrase
	printer  *message.Printer
}

type phrase struct {
	pattern *regexp.Regexp
	parts   []string // of the sentence in the language, around the {}
}

// Languages lists those that the catalogue is written in.
func Languages() ([]string, error) {
	c, err := read()
	return slices.Sorted(maps.Keys(c.Texts["language"])), err
}

// New gives the words of a language, by its two letters.
func New(lang string) (*Words, error) {
	c, err := read()
	if err != nil {
		return nil, err
	}
	if _, ok := c.Texts["language"][lang]; !ok {
		known := slices.Sorted(maps.Keys(c.Texts["language"]))
		return nil, fmt.Errorf("there is no report in language %q: expected one of %s", lang, strings.Join(known, ", "))
	}
	tag, err := language.Parse(lang)
	if err != nil {
		return nil, fmt.Errorf("language %q: %w", lang, err)
	}
	w := &Words{language: lang, texts: c.Texts, printer: message.NewPrinter(tag)}
	for _, p := range c.Phrases {
		quoted := strings.ReplaceAll(regexp.QuoteMeta(p[source]), `\{\}`, `(.+?)`)
		pattern, err := regexp.Compile("^" + quoted + "$")
		if err != nil {
			return nil, fmt.Errorf("catalogue of report texts: phrase %q: %w", p[source], err)
		}
		w.phrases = append(w.phrases, phrase{pattern, strings.Split(p[lang], "{}")})
	}
	return w, nil
}

// Language is the language's two letters.
func (w *Words) Language() string { return w.language }

// Text gives a text of the catalogue with its places filled in.
func (w *Words) Text(name string, filled ...any) string {
	text, ok := w.texts[name][w.language]
	if !ok {
		panic(fmt.Sprintf("words: no text %q in language %q", name, w.language))
	}
	if len(filled) == 0 {
		return text
	}
	return fmt.Sprintf(text, filled...)
}

// Phrase gives a finished English sentence of the core in the language; one that
// fits no pattern comes back as it is.
func (w *Words) Phrase(english string) string {
	if w.language == source {
		return english
	}
	for _, p := range w.phrases {
		found := p.pattern.FindStringSubmatch(english)
		if found == nil {
			continue
		}
		var out strings.Builder
		for i, part := range p.parts {
			out.WriteString(part)
			if i+1 < len(p.parts) {
				out.WriteString(w.refigure(found[i+1]))
			}
		}
		return out.String()
	}
	return english
}

// refigure writes a figure of an English sentence in the language; what is no
// figure comes back as it is.
func (w *Words) refigure(s string) string {
	if _, err := strconv.ParseFloat(s, 64); err != nil || !strings.Contains(s, ".") {
		return s
	}
	_, decimals, _ := strings.Cut(s, ".")
	v, _ := strconv.ParseFloat(s, 64) // parsed above
	return w.Number(v, len(decimals))
}

// Number writes a number with so many decimals, figures in groups of three. A
// number that rounds to zero has no sign.
func (w *Words) Number(v float64, decimals int) string {
	if zero := strconv.FormatFloat(v, 'f', decimals, 64); strings.Trim(zero, "-0.") == "" {
		v = 0
	}
	text := w.printer.Sprint(number.Decimal(v, number.MinFractionDigits(decimals), number.MaxFractionDigits(decimals)))
	return strings.Replace(text, "-", "−", 1)
}

// Signed writes a number with its sign, zero without.
func (w *Words) Signed(v float64, decimals int) string {
	text := w.Number(v, decimals)
	if v > 0 && text != w.Number(0, decimals) {
		return "+" + text
	}
	return text
}

// Significant writes a number with so many significant digits, without trailing
// zeros.
func (w *Words) Significant(v float64, digits int) string {
	short := strconv.FormatFloat(v, 'g', digits, 64)
	rounded, err := strconv.ParseFloat(short, 64)
	if err != nil {
		return short
	}
	_, decimals, _ := strings.Cut(strconv.FormatFloat(rounded, 'f', -1, 64), ".")
	return w.Number(rounded, len(decimals))
}

// Percent writes a fraction as a percentage.
func (w *Words) Percent(fraction float64, decimals int) string {
	return w.Number(100*fraction, decimals) + "\u00a0%"
}

// Date writes the local date of an instant; nothing for none.
func (w *Words) Date(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return w.Text("date", t.Day(), w.month(t), t.Year())
}

// DayMonth writes a date without its year, for an axis.
func (w *Words) DayMonth(t time.Time) string { return w.Text("day-month", t.Day(), w.month(t)) }

// Month writes the month of an axis, with the year where asked for.
func (w *Words) Month(t time.Time, year bool) string {
	if year {
		return w.month(t) + " " + strconv.Itoa(t.Year())
	}
	return w.month(t)
}

func (w *Words) month(t time.Time) string {
	return strings.Fields(w.Text("months"))[t.Month()-1]
}

// Moment writes an instant to the minute, in its zone.
func (w *Words) Moment(t time.Time) string {
	return w.Date(t) + t.Format(" 15:04 MST")
}

// Count writes a number of things: name with -one and -many is in the catalogue.
func (w *Words) Count(n int, name string) string {
	if n == 1 {
		return w.Text(name+"-one", w.Number(1, 0))
	}
	return w.Text(name+"-many", w.Number(float64(n), 0))
}
