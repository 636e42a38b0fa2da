"""The bedside page. The only place that imports streamlit."""
