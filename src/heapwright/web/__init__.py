"""Pages: what people see. Drawings and charts are pure; views join them to the records."""
