// Draws the API's description. The session calls, so writes carry its CSRF token.
const place = document.getElementById("api-docs");
window.SwaggerUIBundle({
  url: place.dataset.schema,
  domNode: place,
  layout: "BaseLayout",
  deepLinking: true,
  docExpansion: "list",
  validatorUrl: null,
  requestInterceptor: (request) => {
    request.headers["X-CSRFToken"] = place.dataset.csrf;
    return request;
  },
});
