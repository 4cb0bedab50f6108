// Package config reads the configuration file of a plant: YAML in, a checked
// plant.Plant and the program's settings out.
//
// Everything that is wrong is reported at once, each problem with its file,
// line, path and remedy, and nothing is returned half checked: a Config is only
// given when there are no problems. Unknown keys, wrong types and double keys
// are found by package strictyaml; this package checks what the values mean
// together, such as names that nothing carries or meters that nobody uses.
//
// Sensible defaults let a first real configuration fit in ten lines. Relative
// paths are relative to the folder of the configuration file. Secrets come from
// files or stand in the file, are held in the type Secret and never printed; no
// text is expanded from the environment.
package config
