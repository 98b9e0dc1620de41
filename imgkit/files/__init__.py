"""Reading and writing the files that people and imgkit exchange."""
