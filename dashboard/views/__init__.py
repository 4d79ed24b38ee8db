"""The pages, one folder each: the page itself (what stands where), answer (what it says), chart (how it is drawn)."""
