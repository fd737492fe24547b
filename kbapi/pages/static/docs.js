SwaggerUIBundle({
  url: "/openapi.json",
  dom_id: "#document",
  deepLinking: true,
  // The validator's badge would be asked of a server outside.
  validatorUrl: null,
});
