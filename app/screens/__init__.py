"""One file for each page; not called pages, for Streamlit would run the files of such a folder by themselves."""
