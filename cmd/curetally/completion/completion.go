// Package completion writes scripts by which shells complete the command line.
// They are made from the model of the commands themselves, so that a command or
// flag that is added is completed without anybody thinking of it.
//
// A script is static: it holds all commands and flags with their short help and
// never calls the program, so completing is instant and works while nothing runs.
// Where a value is expected shells complete file names, as they do by themselves.
package completion

import (
	"fmt"
	"io"
	"strings"

	"github.com/alecthomas/kong"

	"curetally/cmd/curetally/desk"
)

// Command prints the script of a shell.
type Command struct {
	Shell string `arg:"" enum:"bash,zsh,fish" help:"bash, zsh or fish."`
}

// Help says how the script is put to use.
func (Command) Help() string {
	return "bash: put eval \"$(curetally completion bash)\" into ~/.bashrc. " +
		"zsh: put eval \"$(curetally completion zsh)\" into ~/.zshrc, after compinit. " +
		"fish: curetally completion fish > ~/.config/fish/completions/curetally.fish."
}

// Run prints the script.
func (c Command) Run(k *kong.Kong, s desk.Surroundings) error {
	var places []place
	walk(k.Model.Node, "", &places)
	var b strings.Builder
	switch c.Shell {
	case "bash":
		bash(&b, places)
	case "zsh":
		zsh(&b, places)
	default:
		fish(&b, places)
	}
	_, err := io.WriteString(s.Stdout, b.String())
	return err
}

// place is a command with what may follow it.
type place struct {
	path  string // words that lead here, each after a slash; empty for the program
	words []word // commands, then flags with their dashes, then values of an argument
}

type word struct {
	text, help string
	takes      bool // a flag that takes a value
}

// walk gathers the places below a command.
func walk(n *kong.Node, path string, out *[]place) {
	p := place{path: path}
	for _, child := range n.Children {
		if !child.Hidden {
			p.words = append(p.words, word{text: child.Name, help: short(child.Help)})
		}
	}
	at := n
	if n.DefaultCmd != nil { // its flags may stand here
		at = n.DefaultCmd
	}
	for _, group := range at.AllFlags(true) {
		for _, f := range group {
			p.words = append(p.words, word{text: "--" + f.Name, help: short(f.Help), takes: !f.IsBool()})
		}
	}
	for _, a := range at.Positional {
		if a.Enum != "" {
			for _, v := range a.EnumSlice() {
				p.words = append(p.words, word{text: v})
			}
		}
	}
	*out = append(*out, p)
	for _, child := range n.Children {
		if !child.Hidden {
			walk(child, path+"/"+child.Name, out)
		}
	}
}

// short is the first sentence or clause of a help text, without what shells read as
// more than text.
func short(help string) string {
	if i := strings.IndexAny(help, ".;:"); i > 0 {
		help = help[:i]
	}
	return strings.NewReplacer("'", "’", "`", "", "\\", "", "\n", " ", "$", "", "\"", "").Replace(help)
}

// paths lists the places below the program for a case of a shell.
func paths(places []place, separator string) string {
	var all []string
	for _, p := range places[1:] {
		all = append(all, "'"+p.path+"'")
	}
	return strings.Join(all, separator)
}

func texts(words []word) string {
	all := make([]string, len(words))
	for i, w := range words {
		all[i] = w.text
	}
	return strings.Join(all, " ")
}

func bash(b *strings.Builder, places []place) {
	fmt.Fprintf(b, `# bash completion of curetally
_curetally() {
  local path='' words='' i
  for ((i = 1; i < COMP_CWORD; i++)); do
    case "$path/${COMP_WORDS[i]}" in
      %s) path="$path/${COMP_WORDS[i]}" ;;
    esac
  done
  case "$path" in
`, paths(places, "|"))
	for _, p := range places {
		fmt.Fprintf(b, "    '%s') words='%s' ;;\n", p.path, texts(p.words))
	}
	b.WriteString(`  esac
  COMPREPLY=($(compgen -W "$words" -- "${COMP_WORDS[COMP_CWORD]}"))
}
complete -o default -F _curetally curetally
`)
}

func zsh(b *strings.Builder, places []place) {
	fmt.Fprintf(b, `#compdef curetally
# zsh completion of curetally
_curetally() {
  local place='' i
  local -a list
  for ((i = 2; i < CURRENT; i++)); do
    case "$place/${words[i]}" in
      %s) place="$place/${words[i]}" ;;
    esac
  done
  case "$place" in
`, paths(places, "|"))
	for _, p := range places {
		fmt.Fprintf(b, "    '%s') list=(", p.path)
		for _, w := range p.words {
			fmt.Fprintf(b, " '%s'", strings.TrimSuffix(w.text+":"+w.help, ":"))
		}
		b.WriteString(" ) ;;\n")
	}
	b.WriteString(`  esac
  _describe curetally list || _files
}
compdef _curetally curetally
`)
}

func fish(b *strings.Builder, places []place) {
	fmt.Fprintf(b, `# fish completion of curetally
function __curetally_place
    set -l place ''
    for word in (commandline -opc)[2..-1]
        switch "$place/$word"
            case %s
                set place "$place/$word"
        end
    end
    echo "$place"
end
`, paths(places, " "))
	for _, p := range places {
		for _, w := range p.words {
			what := "-f -a '" + w.text + "'"
			if flag, ok := strings.CutPrefix(w.text, "--"); ok {
				what = "-l " + flag
				if w.takes {
					what += " -r"
				}
			}
			fmt.Fprintf(b, "complete -c curetally -n 'test (__curetally_place) = \"%s\"' %s -d '%s'\n", p.path, what, w.help)
		}
	}
}
