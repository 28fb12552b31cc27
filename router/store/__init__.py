"""Where records are kept: tables, repositories, migrations."""
