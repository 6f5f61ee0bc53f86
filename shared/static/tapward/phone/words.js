/* What the phone's scripts say, in the page's language. The English text is the key; other languages come with the page. */
const box = document.getElementById("words");
const words = box ? JSON.parse(box.textContent) : {};

/* say("{number} is kept", { number: "W7" }) */
export const say = (text, values = {}) => (words[text] ?? text).replace(/\{(\w+)\}/g, (_, name) => values[name] ?? "");

/* The same for a counted thing: the first text for one, the second for any other number. */
export const sayMany = (n, one, many, values = {}) => say(n === 1 ? one : many, { n, ...values });
