"""What is handed over: documents and signed packets made from the record."""
