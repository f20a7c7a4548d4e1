"""From an assessment to files: tables, figures and one page to read and print."""
