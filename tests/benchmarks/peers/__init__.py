"""The same question asked as a competent analyst would ask it, with pandas and with polars."""
