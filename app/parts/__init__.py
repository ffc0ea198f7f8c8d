"""Parts of pages that Streamlit has no widget for."""
