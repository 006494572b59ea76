"""Writers of tables: CSV with its description, Parquet, MCAP. They write the rows they are handed, whatever those mean."""
