import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.DefaultProfileValidationSupport;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.context.support.ValidationSupportContext;
import ca.uhn.fhir.validation.FhirValidator;
import ca.uhn.fhir.validation.SingleValidationMessage;
import com.google.gson.Gson;
import com.google.gson.GsonBuilder;
import com.google.gson.JsonArray;
import com.google.gson.JsonElement;
import com.google.gson.JsonObject;
import com.google.gson.JsonParser;
import java.io.BufferedReader;
import java.io.File;
import java.io.FileDescriptor;
import java.io.FileOutputStream;
import java.io.IOException;
import java.io.InputStreamReader;
import java.io.PrintStream;
import java.nio.charset.StandardCharsets;
import java.nio.file.Files;
import java.nio.file.Path;
import java.util.ArrayDeque;
import java.util.ArrayList;
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
 * <p>Arguments: folders of StructureDefinitions, ValueSets and CodeSystems, joined by the path separator; the number of
 * threads, or {@code snapshots} to write each of the folders' profiles with the snapshot that HAPI's generator makes of
 * its differential. Settings, and why: reference types are checked (assumeValidRestReferences), an extension nobody here knows is an error, a claimed profile must be known, one
 * matching coding satisfies a binding, code systems nobody here knows are a warning, best practice is left out.
 */
public final class HapiJudge {
  private HapiJudge() {}

  /** The StructureDefinitions, ValueSets and CodeSystems among the JSON files of the folders. */
  static List<IBaseResource> artefacts(String folders) throws IOException {
    List<IBaseResource> found = new ArrayList<>();
    for (String folder : folders.split(File.pathSeparator)) {
      List<Path> files;
      try (Stream<Path> listed = Files.list(Path.of(folder))) {
        files = listed.filter(p -> p.toString().endsWith(".json")).sorted().collect(Collectors.toList());
      }
      for (Path file : files) {
        String text = Files.readString(file);
        JsonElement type = JsonParser.parseString(text).getAsJsonObject().get("resourceType");
        if (type == null || !List.of("StructureDefinition", "ValueSet", "CodeSystem").contains(type.getAsString())) continue;
        found.add(FhirContext.forR4Cached().newJsonParser().parseResource(text));
      }
    }
    return found;
  }

  static ValidationSupportChain chain(List<IBaseResource> artefacts) {
    FhirContext context = FhirContext.forR4Cached();
    PrePopulatedValidationSupport own = new PrePopulatedValidationSupport(context);
    for (IBaseResource resource : artefacts) {
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
    return chain;
  }

  static FhirValidator build(String folders) throws IOException {
    FhirInstanceValidator module = new FhirInstanceValidator(chain(artefacts(folders)));
    module.setAnyExtensionsAllowed(false);
    module.setErrorForUnknownProfiles(true);
    module.setAssumeValidRestReferences(true);
    module.setBestPracticeWarningLevel(BestPracticeWarningLevel.Ignore);
    FhirValidator validator = FhirContext.forR4Cached().newValidator();
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
    if (args.length > 1 && args[1].equals("snapshots")) {
      snapshots(args[0]);
      return;
    }
    FhirValidator validator = build(args[0]);
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

  /** One line a profile: its JSON with the snapshot, or {@code {"url": …, "error": …}}. */
  static void snapshots(String folders) throws IOException {
    List<IBaseResource> artefacts = artefacts(folders);
    for (IBaseResource resource : artefacts) {
      if (resource instanceof StructureDefinition d) d.setSnapshot(null);
    }
    ValidationSupportChain chain = chain(artefacts);
    ValidationSupportContext context = new ValidationSupportContext(chain);
    PrintStream out = new PrintStream(new FileOutputStream(FileDescriptor.out), false, StandardCharsets.UTF_8);
    for (IBaseResource resource : artefacts) {
      if (!(resource instanceof StructureDefinition d)) continue;
      try {
        IBaseResource made = chain.generateSnapshot(context, d.copy(), d.getUrl(), null, d.getName());
        out.println(FhirContext.forR4Cached().newJsonParser().encodeResourceToString(made));
      } catch (RuntimeException e) {
        JsonObject failed = new JsonObject();
        failed.addProperty("url", d.getUrl());
        failed.addProperty("error", String.valueOf(e.getMessage()));
        out.println(failed);
      }
    }
    out.flush();
  }

  static void write(PrintStream out, ArrayDeque<Future<String>> waiting) throws Exception {
    out.println(waiting.remove().get());
    out.flush();
  }
}
