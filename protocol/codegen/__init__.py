"""What is written from a document: a C core for the instrument itself."""
