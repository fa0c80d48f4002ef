"""One file a page. The folder is not called pages: Streamlit would serve one so called before anybody signs in."""
