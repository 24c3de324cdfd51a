package config

// Nearest returns the candidate that is a typing slip away from word, or "": for "did you
// mean" of names that stand in a config.
func Nearest(word string, candidates []string) string { return nearest(word, candidates) }
