"""Signal processing: arrays in, arrays or numbers out; no files, clocks or rule sets."""
