"""The commissioning visit as a guided course: steps, what is observed, what it concludes, record."""
