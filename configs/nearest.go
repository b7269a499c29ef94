package configs

import (
	"fmt"
	"strings"
)

// maxGuessLength is the length above which a word is no misspelling of
// anything; it also bounds the work that a hostile file can ask for.
const maxGuessLength = 48

// nearest gives the candidate with the smallest edit distance from word, and
// whether it is near enough to have been meant: some of it must be left as it
// was. Of equally near ones the first counts.
func nearest(word string, candidates []string) (string, bool) {
	if len(word) > maxGuessLength {
		return "", false
	}
	best, bestDistance := "", -1
	for _, c := range candidates {
		d := editDistance(strings.ToLower(word), c)
		if bestDistance < 0 || d < bestDistance {
			best, bestDistance = c, d
		}
	}
	return best, bestDistance < len(best) && bestDistance <= 1+len(word)/3
}

// editDistance counts the insertions, deletions and replacements of single
// bytes that turn a into b (Levenshtein's distance).
func editDistance(a, b string) int {
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		diagonal := row[0]
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			diagonal, row[j] = row[j], min(row[j]+1, row[j-1]+1, diagonal+cost)
		}
	}
	return row[len(b)]
}

// suggest words a remedy for a word that is none of the candidates.
func suggest(word string, candidates []string) string {
	if near, ok := nearest(word, candidates); ok {
		return fmt.Sprintf("the nearest valid one is %q", near)
	}
	return "valid here: " + strings.Join(candidates, ", ")
}

// shorten keeps a value from the file short enough for a message. What follows
// the scheme of a URL is left out, since it may hold a password or a token.
func shorten(text string) string {
	const most = 60
	if scheme, rest, ok := strings.Cut(text, "://"); ok && rest != "" {
		text = scheme + "://..."
	}
	if len(text) <= most {
		return text
	}
	return strings.ToValidUTF8(text[:most], "") + "..."
}
