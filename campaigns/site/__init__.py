"""The site campaign: many light rigs and one operator against one `ebbset serve`, counted at both ends."""
