"""Fourth stage: numbers to pictures, tables and pages."""
