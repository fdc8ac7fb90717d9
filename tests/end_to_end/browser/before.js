// Runs before anything of the page: remembers what goes wrong.
window.problems = [];
window.addEventListener("error", (event) => window.problems.push(String(event.message)));
window.addEventListener("securitypolicyviolation", (event) => window.problems.push(event.violatedDirective));
