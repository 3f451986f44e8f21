import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.DefaultProfileValidationSupport;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.validation.FhirValidator;
import ca.uhn.fhir.validation.SingleValidationMessage;
import com.google.gson.Gson;
import com.google.gson.GsonBuilder;
import com.google.gson.JsonArray;
import com.google.gson.JsonElement;
import com.google.gson.JsonObject;
import com.google.gson.JsonParser;
import java.io.BufferedReader;
import java.io.FileDescriptor;
import java.io.FileOutputStream;
import java.io.IOException;
import java.io.InputStreamReader;
import java.io.PrintStream;
import java.nio.charset.StandardCharsets;
import java.nio.file.Files;
import java.nio.file.Path;
import java.util.ArrayDeque;
import java.util.List;
import java.util.concurrent.ExecutorService;
import java.util.concurrent.Executors;
import java.util.concurrent.Future;
import java.util.stream.Collectors;
import java.util.stream.Stream;
import org.hl7.fhir.common.hapi.validation.support.CommonCodeSystemsTerminologyService;
import org.hl7.fhir.common.hapi.validation.support.InMemoryTerminologyServerValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.PrePopulatedValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.SnapshotGeneratingValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.UnknownCodeSystemWarningValidationSupport;
import org.hl7.fhir.common.hapi.validation.support.ValidationSupportChain;
import org.hl7.fhir.common.hapi.validation.validator.FhirInstanceValidator;
import org.hl7.fhir.instance.model.api.IBaseResource;
import org.hl7.fhir.r4.model.CodeSystem;
import org.hl7.fhir.r4.model.StructureDefinition;
import org.hl7.fhir.r4.model.ValueSet;
import org.hl7.fhir.r5.utils.validation.constants.BestPracticeWarningLevel;

/**
 * The HAPI FHIR R4 validator, offline, as a judge: one resource a line in, one JSON verdict a line out.
 *
 * <p>Argument: the folder of our StructureDefinitions, ValueSets and CodeSystems. Settings, and why: reference types
 * are checked (assumeValidRestReferences), an extension nobody here knows is an error, a claimed profile must be known, one
 * matching coding satisfies a binding, code systems nobody here knows are a warning, best practice is left out.
 */
public final class HapiJudge {
  private HapiJudge() {}

  static FhirValidator build(Path folder) throws IOException {
    FhirContext context = FhirContext.forR4Cached();
    PrePopulatedValidationSupport own = new PrePopulatedValidationSupport(context);
    List<Path> files;
    try (Stream<Path> found = Files.list(folder)) {
      files = found.filter(p -> p.toString().endsWith(".json")).sorted().collect(Collectors.toList());
    }
    for (Path file : files) {
      String text = Files.readString(file);
      JsonElement json = JsonParser.parseString(text);
      String type = json.getAsJsonObject().get("resourceType").getAsString();
      if (!List.of("StructureDefinition", "ValueSet", "CodeSystem").contains(type)) continue;
      IBaseResource resource = context.newJsonParser().parseResource(text);
      if (resource instanceof StructureDefinition d) own.addStructureDefinition(d);
      else if (resource instanceof ValueSet v) own.addValueSet(v);
      else if (resource instanceof CodeSystem c) own.addCodeSystem(c);
    }
    UnknownCodeSystemWarningValidationSupport unknown = new UnknownCodeSystemWarningValidationSupport(context);
    unknown.setNonExistentCodeSystemSeverity(IValidationSupport.IssueSeverity.WARNING);
    InMemoryTerminologyServerValidationSupport memory = new InMemoryTerminologyServerValidationSupport(context);
    memory.setIssueSeverityForCodeDisplayMismatch(IValidationSupport.IssueSeverity.WARNING);
    ValidationSupportChain chain =
        new ValidationSupportChain(
            new DefaultProfileValidationSupport(context),
            own,
            new CommonCodeSystemsTerminologyService(context),
            memory,
            new SnapshotGeneratingValidationSupport(context),
            unknown);
    chain.setCodeableConceptValidationSuccessfulIfNotAllCodingsAreValid(true);
    FhirInstanceValidator module = new FhirInstanceValidator(chain);
    module.setAnyExtensionsAllowed(false);
    module.setErrorForUnknownProfiles(true);
    module.setAssumeValidRestReferences(true);
    module.setBestPracticeWarningLevel(BestPracticeWarningLevel.Ignore);
    FhirValidator validator = context.newValidator();
    validator.registerValidatorModule(module);
    return validator;
  }

  static JsonObject issue(String severity, String id, String location, String message) {
    JsonObject made = new JsonObject();
    made.addProperty("severity", severity);
    made.addProperty("id", id);
    made.addProperty("location", location);
    made.addProperty("message", message);
    return made;
  }

  static JsonObject judge(FhirValidator validator, String line) {
    JsonArray issues = new JsonArray();
    boolean valid = true;
    long started = System.nanoTime();
    try {
      for (SingleValidationMessage m : validator.validateWithResult(line).getMessages()) {
        String severity = m.getSeverity() == null ? "information" : m.getSeverity().getCode();
        if (severity.equals("error") || severity.equals("fatal")) {
          valid = false;
          issues.add(issue(severity, m.getMessageId(), m.getLocationString(), m.getMessage()));
        }
      }
    } catch (RuntimeException | StackOverflowError e) { // text that is not JSON comes as an exception
      valid = false;
      issues.add(issue("fatal", e.getClass().getSimpleName(), "", String.valueOf(e.getMessage())));
    }
    JsonObject out = new JsonObject();
    out.addProperty("valid", valid);
    out.addProperty("ms", Math.round((System.nanoTime() - started) / 1e4) / 100.0);
    out.add("issue", issues);
    return out;
  }

  /** Judges on several threads (HAPI's validator is made for it), and writes the verdicts in the order of the lines. */
  public static void main(String[] args) throws Exception {
    FhirValidator validator = build(Path.of(args[0]));
    int threads = args.length > 1 ? Integer.parseInt(args[1]) : 2;
    Gson gson = new GsonBuilder().disableHtmlEscaping().create();
    PrintStream out = new PrintStream(new FileOutputStream(FileDescriptor.out), false, StandardCharsets.UTF_8);
    ExecutorService pool = Executors.newFixedThreadPool(threads);
    ArrayDeque<Future<String>> waiting = new ArrayDeque<>();
    try (BufferedReader in = new BufferedReader(new InputStreamReader(System.in, StandardCharsets.UTF_8))) {
      for (String line; (line = in.readLine()) != null; ) {
        String one = line;
        waiting.add(pool.submit(() -> gson.toJson(judge(validator, one))));
        if (waiting.size() > 4 * threads) write(out, waiting);
      }
    }
    while (!waiting.isEmpty()) write(out, waiting);
    pool.shutdown();
  }

  static void write(PrintStream out, ArrayDeque<Future<String>> waiting) throws Exception {
    out.println(waiting.remove().get());
    out.flush();
  }
}
