// The page's language, for screen readers and hyphens.
export default function ({ data }) {
  document.documentElement.lang = data.language;
}
