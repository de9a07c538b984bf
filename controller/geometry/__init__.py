"""Mathematics: numbers in, numbers out."""
