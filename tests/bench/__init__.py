"""How fast the engine is, beside what a reader could have used instead. README.md in this
folder."""
