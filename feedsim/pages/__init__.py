"""Pages: self-contained HTML files that ask nobody for anything."""
