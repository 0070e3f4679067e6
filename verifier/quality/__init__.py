"""Quality control: what control measurements and patients' own results say of a method."""
