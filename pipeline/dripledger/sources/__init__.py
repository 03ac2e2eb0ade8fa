"""One adapter a file shape, the mapping language, originals, and the count of records on the bytes."""
