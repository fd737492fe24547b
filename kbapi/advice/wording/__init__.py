"""The sentences of answers: numbers in, words for people out, each whole and marked."""
