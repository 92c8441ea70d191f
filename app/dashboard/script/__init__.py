"""The folder that Streamlit puts first on Python's path: it holds nothing but the script."""
